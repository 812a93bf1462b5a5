/* One page that needs nothing else: no script, no other file, no network. A policy in it forbids
 * all of that as well, should a text ever slip through its escaping. */
#include <math.h>

#include "daemon/report/report_page.h"

void page_put(FILE *out, const char *s)
{
    for (; *s; s++) {
        switch (*s) {
        case '&':
            fputs("&amp;", out);
            break;
        case '<':
            fputs("&lt;", out);
            break;
        case '>':
            fputs("&gt;", out);
            break;
        case '"':
            fputs("&quot;", out);
            break;
        case '\'':
            fputs("&#39;", out);
            break;
        default:
            putc(*s, out);
        }
    }
}

static void put_head(FILE *out, const struct report *r)
{
    fputs(REPORT_HTML_START, out);
    fputs("<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
          "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
          "'unsafe-inline'; img-src data:\">\n"
          "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
          "<link rel=\"icon\" href=\"data:,\">\n<title>",
        out);
    page_put(out, r->title);
    fputs("</title>\n<style>\n", out);
    page_put_style(out);
    fputs("</style>\n</head>\n<body>\n<header><h1>", out);
    page_put(out, r->title);
    fputs("</h1><p class=\"sub\">", out);
    page_put(out, r->subtitle);
    fputs("</p>\n", out);
    if (r->notes > 0) fputs("<ul class=\"notes\">\n", out);
    for (uint32_t i = 0; i < r->notes; i++) {
        fputs("<li>", out);
        page_put(out, r->note[i]);
        fputs("</li>\n", out);
    }
    fputs(r->notes > 0 ? "</ul></header>\n<main>\n" : "</header>\n<main>\n", out);
}

static int64_t doses_of(const struct report_tank *t)
{
    int64_t doses = 0;
    for (uint32_t s = 0; s < t->stocks; s++) {
        doses += t->stock[s].doses;
    }
    return doses;
}

static void put_share(FILE *out, const struct report_tank *t, enum report_channel channel)
{
    const double share = report_in_band(t, channel);
    if (isnan(share)) {
        fputs("\xe2\x80\x93", out);
        return;
    }
    report_put_real(out, share, 1);
    fputs(" %", out);
}

/* --- all tanks in a table --------------------------------------------------------------------- */

static void put_overview(FILE *out, const struct report *r)
{
    if (r->tanks < 2) return;
    fputs("<nav class=\"sheet\" aria-label=\"Tanks\"><table><thead><tr><th scope=\"col\">tank</th>"
          "<th scope=\"col\">EC in band</th><th scope=\"col\">pH in band</th>"
          "<th scope=\"col\">doses</th><th scope=\"col\">alerts</th></tr></thead>\n<tbody>\n",
        out);
    for (uint32_t i = 0; i < r->tanks; i++) {
        const struct report_tank *t = r->tank[i];
        fprintf(out, "<tr><th scope=\"row\"><a href=\"#t%u\">", (unsigned)i + 1);
        page_put(out, t->name[0] ? t->name : t->key);
        fputs("</a></th><td>", out);
        put_share(out, t, REPORT_EC);
        fputs("</td><td>", out);
        put_share(out, t, REPORT_PH);
        fprintf(out, "</td><td>%lld</td><td>%lld</td></tr>\n", (long long)doses_of(t),
            (long long)(t->alerts.count + t->alerts.more));
    }
    fputs("</tbody></table></nav>\n", out);
}

/* --- one tank --------------------------------------------------------------------------------- */

static void put_share_figure(FILE *out, const struct report_tank *t, enum report_channel channel)
{
    const struct report_show *show = report_channel_show(channel);
    if (t->banded[channel] == 0) return;
    fprintf(out, "<div class=\"%s\"><dt>%s in band</dt><dd>", show->word, show->name);
    put_share(out, t, channel);
    fputs("</dd></div>", out);
}

static void put_last_figure(FILE *out, const struct report_tank *t, enum report_channel channel)
{
    const struct report_show *show = report_channel_show(channel);
    if (t->line[channel].readings == 0) return;
    fprintf(out, "<div class=\"%s\"><dt>last %s</dt><dd>", show->word, show->name);
    report_put_real(out, t->line[channel].last / show->scale, show->decimals);
    if (channel == REPORT_DEGC)
        fputs(" \xc2\xb0"
              "C",
            out);
    if (channel == REPORT_EC) fprintf(out, " %s", show->unit);
    fputs("</dd></div>", out);
}

static void put_figures(FILE *out, const struct report_tank *t)
{
    const int64_t alerts = t->alerts.count + t->alerts.more;
    int64_t ul = 0;
    for (uint32_t s = 0; s < t->stocks; s++) {
        ul += t->stock[s].ul;
    }
    fputs("<dl class=\"figures\">", out);
    put_share_figure(out, t, REPORT_EC);
    put_share_figure(out, t, REPORT_PH);
    for (int c = 0; c < REPORT_CHANNELS; c++) {
        put_last_figure(out, t, (enum report_channel)c);
    }
    fprintf(out, "<div><dt>doses</dt><dd>%lld</dd></div>", (long long)doses_of(t));
    fputs("<div><dt>dosed</dt><dd>", out);
    report_put_ml(out, ul);
    fputs(" mL</dd></div>", out);
    fprintf(out, "<div%s><dt>alerts</dt><dd>%lld</dd></div></dl>\n",
        alerts > 0 ? " class=\"bad\"" : "", (long long)alerts);
}

static void put_states(FILE *out, const struct report_tank *t)
{
    int64_t all = 0;
    for (uint32_t i = 0; i < t->states; i++) {
        all += t->state[i].count;
    }
    if (all == 0) return;
    fputs("<p class=\"states\">The time went to: ", out);
    for (uint32_t i = 0; i < t->states; i++) {
        if (i > 0) fputs(", ", out);
        page_put(out, t->state[i].word);
        putc(' ', out);
        report_put_real(out, 100.0 * (double)t->state[i].count / (double)all, 1);
        fputs(" %", out);
    }
    fputs("</p>\n", out);
}

static void put_tank(FILE *out, const struct report *r, uint32_t index)
{
    const struct report_tank *t = r->tank[index];
    fprintf(out, "<section class=\"tank sheet\" id=\"t%u\"><h2>", (unsigned)index + 1);
    page_put(out, t->name[0] ? t->name : t->key);
    if (t->name[0]) {
        fputs(" <code>", out);
        page_put(out, t->key);
        fputs("</code>", out);
    }
    fputs("</h2>\n", out);
    put_figures(out, t);
    put_states(out, t);
    page_put_charts(out, r, t);
    page_put_alerts(out, &t->alerts);
    page_put_days(out, t);
    page_put_sections(out, r, t);
    fputs("</section>\n", out);
}

void report_write_html(const struct report *r, FILE *out)
{
    put_head(out, r);
    put_overview(out, r);
    for (uint32_t i = 0; i < r->tanks; i++) {
        put_tank(out, r, i);
    }
    if (r->alerts.count > 0) {
        fputs("<section class=\"sheet\"><h2>The site</h2>\n", out);
        page_put_alerts(out, &r->alerts);
        fputs("</section>\n", out);
    }
    page_put_bottles(out, r);
    page_put_sections(out, r, NULL);
    fputs("</main>\n<footer>Times are UTC. Doses are what counted against the limits; readings are "
          "thinned so that each least and greatest stays. Drawn by dosewright.</footer>\n"
          "</body>\n</html>\n",
        out);
}
