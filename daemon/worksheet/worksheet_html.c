/* The worksheet as one page that needs nothing else: no script, no other file, no network. A policy
 * in it forbids all of that as well, should a text ever slip through its escaping. */
#include <string.h>

#include "daemon/report/report_page.h"
#include "daemon/tool/caution.h"
#include "daemon/worksheet/worksheet_inside.h"

enum { DIGEST_SHOWN = 12 };

void worksheet_put(FILE *out, const char *s)
{
    char clean[WORKSHEET_LINE_MAX];
    report_clean(clean, sizeof clean, s);
    page_put(out, clean);
}

/* Underscores are a line to write on: as long as the sheet says, and not broken. */
static void put_words(FILE *out, const char *s)
{
    char piece[WORKSHEET_LINE_MAX];
    while (*s) {
        const size_t words = strcspn(s, "_"), blank = strspn(s + words, "_");
        if (words < sizeof piece) {
            (void)text_copy(piece, words + 1, s);
            worksheet_put(out, piece);
        }
        if (blank > 0) fprintf(out, "<span class=\"fill\" style=\"--n:%zu\"></span>", blank);
        s += words + blank;
    }
}

/* --- the page --------------------------------------------------------------------------------- */

static void put_title(FILE *out, const struct worksheet *w)
{
    worksheet_put(out, w->site->name);
    fputs(": worksheet", out);
}

static void begin(FILE *out, const struct worksheet *w)
{
    fputs(WORKSHEET_HTML_START, out);
    fputs("<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
          "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
          "'unsafe-inline'; img-src data:\">\n"
          "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
          "<link rel=\"icon\" href=\"data:,\">\n<title>",
        out);
    put_title(out, w);
    fputs("</title>\n<style>\n", out);
    worksheet_put_style(out);
    fputs("</style>\n</head>\n<body>\n<header><h1>", out);
    put_title(out, w);
    fputs("</h1>\n<p class=\"sub\">From <code>", out);
    worksheet_put(out, w->config->path);
    fprintf(out, "</code>, digest %.*s. ", (int)DIGEST_SHOWN, w->site->digest);
    fputs("Read the <a href=\"#cautions\">cautions</a>, and the safety data sheets, before "
          "anything is wet.</p></header>\n<main>\n<section>",
        out);
}

static void end(FILE *out, const struct worksheet *w)
{
    (void)w;
    fputs("</section>\n</main>\n<footer>Made by dosewright from the configuration alone: change "
          "the file, and make this page again.</footer>\n</body>\n</html>\n",
        out);
}

static void heading(FILE *out, const char *words)
{
    fprintf(out, "</section>\n<section%s><h2>",
        strcmp(words, "Cautions") == 0 ? " id=\"cautions\"" : "");
    worksheet_put(out, words);
    fputs("</h2>\n", out);
}

static void put_in(FILE *out, const char *tag, const char *rest, const char *words)
{
    fprintf(out, "<%s%s>", tag, rest);
    put_words(out, words);
    fprintf(out, "</%s>\n", tag);
}

static void part(FILE *out, const char *words)
{
    put_in(out, "h3", "", words);
}

static void words_of(FILE *out, const char *words)
{
    put_in(out, "p", "", words);
}

static void caution(FILE *out, const char *words)
{
    put_in(out, "p", " class=\"caution\"", words);
}

static void box(FILE *out, const char *words)
{
    put_in(out, "p", " class=\"box\"", words);
}

static void chain_of(FILE *out, const struct worksheet *w, uint32_t chain)
{
    fputs("<figure class=\"chain\"><figcaption>Chain ", out);
    worksheet_put(out, w->site->chain[chain].key);
    fputs("</figcaption>\n", out);
    worksheet_draw(out, w, chain);
    fputs("</figure>\n", out);
}

/* --- labels ----------------------------------------------------------------------------------- */

static void put_line(FILE *out, const char *name, const char *words)
{
    fprintf(out, "<div><dt>%s</dt><dd>", name);
    put_words(out, words);
    fputs("</dd></div>\n", out);
}

static void put_label_lines(FILE *out, const struct worksheet *w, uint32_t index)
{
    const struct site_stock *stock = &w->site->stock[index];
    char line[WORKSHEET_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    fputs("<dl>", out);
    worksheet_add_contents(&t, stock);
    put_line(out, "contents", line);
    t = text_over(line, sizeof line);
    worksheet_add_apart(&t, w, index);
    put_line(out, "keep apart from", t.length > 0 ? line : "every other bottle's contents");
    t = text_over(line, sizeof line);
    worksheet_add_pumps(&t, w, index, 6);
    put_line(out, "pump", line);
    t = text_over(line, sizeof line);
    worksheet_add_short(&t, (double)stock->bottle_ul / 1000, 3);
    text_add(&t, " mL; made on __________ by __________");
    put_line(out, "bottle", line);
    fputs("</dl>\n", out);
}

static void label(FILE *out, const struct worksheet *w, uint32_t index)
{
    const struct site_stock *stock = &w->site->stock[index];
    const unsigned hazards = caution_of_solution(&stock->solution);
    const char *name = w->config->stock_name[index], *words;
    fputs("<div class=\"label\"><p class=\"key\">", out);
    worksheet_put(out, stock->key);
    fprintf(out, "</p><p class=\"kind\">%s", worksheet_kind(stock));
    if (name && strcmp(name, stock->key) != 0) {
        putc(' ', out);
        worksheet_put(out, name);
    }
    fputs("</p>\n", out);
    for (size_t i = 0; (words = caution_on_label(hazards, i)) != NULL; i++) {
        put_in(out, "p", " class=\"hazard\"", words);
    }
    put_label_lines(out, w, index);
    fputs(
        "<p class=\"data\">Signal word and pictograms of the safety data sheet:</p></div>\n", out);
}

static void labels_end(FILE *out)
{
    (void)out;
}

/* --- tables ----------------------------------------------------------------------------------- */

static void table_of(FILE *out, const struct worksheet_table *table)
{
    fputs("<div class=\"wide\"><table><caption>", out);
    worksheet_put(out, table->caption);
    fputs("</caption><thead><tr>", out);
    if (table->box) fputs("<td></td>", out);
    for (uint32_t c = 0; c < table->columns; c++) {
        fprintf(out, "<th scope=\"col\"%s>", table->column[c].number ? " class=\"n\"" : "");
        worksheet_put(out, table->column[c].head);
        fputs("</th>", out);
    }
    fputs("</tr></thead>\n<tbody>\n", out);
}

static void row(FILE *out, const struct worksheet_table *table, const struct worksheet_cells *cells)
{
    fputs("<tr>", out);
    if (table->box) fputs("<td class=\"tick\"><span></span></td>", out);
    for (uint32_t c = 0; c < table->columns; c++) {
        fprintf(out, "<td%s>", table->column[c].number ? " class=\"n\"" : "");
        worksheet_put(out, cells->at[c]);
        fputs("</td>", out);
    }
    fputs("</tr>\n", out);
}

static void table_end(FILE *out)
{
    fputs("</tbody></table></div>\n", out);
}

void worksheet_write_html(const struct worksheet *w, FILE *out)
{
    static const struct worksheet_form form = { .begin = begin,
        .heading = heading,
        .part = part,
        .words = words_of,
        .caution = caution,
        .box = box,
        .chain = chain_of,
        .label = label,
        .labels_end = labels_end,
        .table = table_of,
        .row = row,
        .table_end = table_end,
        .end = end };
    worksheet_tell(w, &form, out);
}
