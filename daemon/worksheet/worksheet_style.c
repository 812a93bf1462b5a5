/* The look of the page. Nothing rests on a colour: what is dangerous has words and a thick edge,
 * and on paper everything is black on white. Text has a contrast of 4.5 to 1 or more in light and
 * in dark (tests/system/worksheet_test.py reckons it). */
#include "daemon/worksheet/worksheet_inside.h"

static const char *const lines[] = {
    ":root{color-scheme:light;--paper:#f3f4f0;--sheet:#fff;--ink:#1a1f1d;--soft:#4d5753;",
    "--line:#b9c1bc;--link:#0b5d63}",
    "@media screen and (prefers-color-scheme:dark){:root{color-scheme:dark;--paper:#121614;",
    "--sheet:#1a201d;--ink:#e2e8e4;--soft:#a5b1ab;--line:#46504b;--link:#6fc7c9}}",
    "*{box-sizing:border-box}",
    "body{margin:0;background:var(--paper);color:var(--ink);overflow-wrap:anywhere;",
    "font:1rem/1.5 Seravek,\"Gill Sans Nova\",Ubuntu,Calibri,\"DejaVu Sans\",sans-serif;",
    "font-variant-numeric:tabular-nums}",
    "header,main,footer{max-width:58rem;margin:0 auto;padding:0 1rem}",
    "header{padding-top:2rem}",
    "h1{font-size:1.8rem;font-weight:600;line-height:1.2;margin:0 0 .4rem}",
    ".sub{margin:0;color:var(--soft)}",
    "code{font:.9em ui-monospace,\"DejaVu Sans Mono\",monospace}",
    "a{color:var(--link)}a:focus-visible{outline:2px solid var(--link);outline-offset:2px}",
    "section{background:var(--sheet);border:1px solid var(--line);border-radius:.3rem;",
    "padding:1.1rem 1.2rem 1.3rem;margin:1.4rem 0}",
    "section:empty{display:none}",
    "h2{font-size:1.3rem;font-weight:600;margin:0 0 .3rem;line-height:1.25}",
    "h3{font-size:1.05rem;font-weight:600;margin:1.6rem 0 .4rem}",
    "p{margin:.5rem 0;max-width:48rem}",
    ".caution{border-left:4px solid var(--ink);padding:.15rem 0 .15rem .8rem}",
    /* boxes to tick: empty squares, not controls */
    ".box{position:relative;padding-left:1.9rem}",
    ".box::before,.tick span{content:\"\";width:.95rem;height:.95rem;",
    "border:1.5px solid var(--ink);border-radius:.1rem;display:inline-block}",
    ".box::before{position:absolute;left:.15rem;top:.25rem}",
    ".tick{width:1.6rem}.tick span{vertical-align:-.15rem}",
    ".fill{display:inline-block;width:calc(var(--n)*.55em);max-width:100%;height:1em;",
    "border-bottom:1px solid var(--ink);vertical-align:-.15em}",
    /* the chain */
    ".chain{margin:1rem 0;display:inline-block;vertical-align:top;width:100%;max-width:24rem}",
    ".chain svg{display:block;width:100%}",
    "figcaption{font-weight:600}",
    "svg text{font-size:12.5px;fill:var(--ink)}svg .small{font-size:11.5px;fill:var(--soft)}",
    "svg .strong{font-weight:600}",
    "svg .edge{fill:none;stroke:var(--ink);stroke-width:1.5}",
    "svg .solid{fill:var(--ink)}",
    "svg .cable{stroke:var(--ink);stroke-width:3}",
    "svg .tube{fill:none;stroke:var(--ink);stroke-width:1.2}",
    /* labels to cut out */
    ".label{display:inline-block;vertical-align:top;width:calc(50% - .9rem);",
    "margin:.3rem .5rem .6rem 0;",
    "border:1.5px dashed var(--soft);padding:.7rem .8rem;break-inside:avoid;font-size:.92rem}",
    ".label p{margin:0}",
    ".key{font-size:1.7rem;font-weight:700;line-height:1.15}",
    ".kind{color:var(--soft)}",
    ".hazard{font-weight:700;border-left:4px solid var(--ink);padding-left:.5rem;",
    "margin-top:.3rem!important}",
    ".label dl{margin:.5rem 0}.label dl div{display:flex;gap:.5rem;padding:.1rem 0}",
    ".label dt{flex:0 0 5.4rem;color:var(--soft)}.label dd{margin:0;flex:1}",
    ".data{border:1px solid var(--line);padding:.2rem .4rem;min-height:4.4rem;color:var(--soft);",
    "font-size:.82rem}",
    /* tables: a wide one scrolls by itself, not the page */
    ".wide{overflow-x:auto}",
    "table{border-collapse:collapse;width:100%;font-size:.92rem;margin:.4rem 0}",
    "caption{text-align:left;font-weight:600;padding:.9rem 0 .3rem}",
    "th,td{padding:.3rem .5rem;border-bottom:1px solid var(--line);text-align:left;",
    "vertical-align:top;overflow-wrap:normal}",
    "th:first-child,td:first-child{padding-left:0}",
    "thead th{font-weight:600;border-bottom:1.5px solid var(--ink)}",
    "thead td{border-bottom:1.5px solid var(--ink)}",
    ".n{text-align:right;white-space:nowrap}",
    "footer{color:var(--soft);font-size:.85rem;padding-bottom:2.5rem}",
    "@media screen and (max-width:38rem){h1{font-size:1.4rem}",
    "section{padding:.9rem .7rem;margin:1rem -.4rem}.label{width:100%}th,td{padding:.3rem .35rem}}",
    "@media print{@page{size:A4;margin:14mm}",
    ":root{--paper:#fff;--sheet:#fff;--ink:#000;--soft:#222;--line:#777;--link:#000}",
    "body{font-size:10pt;print-color-adjust:exact;-webkit-print-color-adjust:exact}",
    "header,main,footer{max-width:none;padding:0}header{padding-top:0}",
    "section{border:0;padding:0;margin:.6rem 0 1.2rem}",
    "p{max-width:none}.label{width:48%}.chain{width:48%}.wide{overflow:visible}",
    "tr,.box,.caution,.chain svg{break-inside:avoid}h2,h3,caption{break-after:avoid}}",
};

void worksheet_put_style(FILE *out)
{
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++) {
        fputs(lines[i], out);
        putc('\n', out);
    }
}
