/* The worksheet for a terminal: plain words of 80 columns, no colour, no character but ASCII of its
 * own. */
#include <string.h>

#include "daemon/tool/caution.h"
#include "daemon/tool/tool_show.h"
#include "daemon/worksheet/worksheet_inside.h"

enum { DIGEST_SHOWN = 12 };

static void put_underlined(FILE *out, const char *words, char c)
{
    show_safely(out, words, strlen(words));
    fputc('\n', out);
    for (size_t i = 0; words[i]; i++) {
        if (((unsigned char)words[i] & 0xc0) != 0x80) fputc(c, out);
    }
    fputc('\n', out);
}

static void begin(FILE *out, const struct worksheet *w)
{
    char line[WORKSHEET_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, w->site->name);
    text_add(&t, ": worksheet");
    put_underlined(out, line, '=');
    t = text_over(line, sizeof line);
    text_add(&t, "From ");
    text_add(&t, w->config->path);
    text_add(&t, ", digest ");
    text_add_bytes(&t, w->site->digest, DIGEST_SHOWN);
    text_add(&t, ". Read the cautions at the end, and the safety data sheets, before anything is "
                 "wet.");
    show_folded(out, 0, "", line);
}

static void heading(FILE *out, const char *words)
{
    fputc('\n', out);
    fputc('\n', out);
    put_underlined(out, words, '-');
}

static void part(FILE *out, const char *words)
{
    fputc('\n', out);
    show_safely(out, words, strlen(words));
    fputc('\n', out);
}

static void words_of(FILE *out, const char *words)
{
    show_folded(out, 0, "", words);
}

static void caution(FILE *out, const char *words)
{
    show_folded(out, 4, "  !", words);
}

static void box(FILE *out, const char *words)
{
    show_folded(out, 6, "  [ ]", words);
}

/* --- chains ----------------------------------------------------------------------------------- */

static void put_output(
    FILE *out, const struct worksheet *w, const struct worksheet_output *o, uint32_t channel)
{
    const struct site_tank *tank = &w->site->tank[o->tank];
    char line[WORKSHEET_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    if (o->pump < 0) {
        text_add(&t, "circulation of ");
        text_add(&t, tank->key);
    } else {
        text_add(&t, "pump ");
        text_add_int(&t, channel);
        text_add(&t, ": bottle ");
        text_add(&t, w->site->stock[tank->pump[o->pump].stock].key);
        text_add(&t, " --> line of ");
        text_add(&t, tank->key);
    }
    show_folded(out, 8, "   |   -", line);
}

static void put_cable(FILE *out, const struct chain_module_config *module)
{
    char line[WORKSHEET_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    worksheet_add_cable(&t, module);
    fprintf(out, "   |\n   |  ");
    show_safely(out, line, t.length);
    fprintf(out, "\n   |\n");
}

static void chain_of(FILE *out, const struct worksheet *w, uint32_t chain)
{
    const struct chain_config *config = &w->site->chain[chain];
    char line[WORKSHEET_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "[head] chain ");
    text_add(&t, config->key);
    text_add(&t, ", device ");
    text_add(&t, config->device);
    text_add(&t, ", supply ");
    text_add_real(&t, config->supply.volts, 1);
    text_add(&t, " V ");
    text_add_real(&t, config->supply.amps, 2);
    text_add(&t, " A through a fuse");
    fputc('\n', out);
    show_folded(out, 0, "", line);
    for (uint32_t m = 0; m < config->count; m++) {
        put_cable(out, &config->module[m]);
        fprintf(out, "  [%u] module ", m + 1);
        show_safely(out, config->module[m].serial, strlen(config->module[m].serial));
        fputc('\n', out);
        for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
            const struct worksheet_output *o = &w->output[chain][m][c];
            if (o->tank >= 0) put_output(out, w, o, c);
        }
    }
    fprintf(out, "   end of the chain\n");
}

/* --- labels ----------------------------------------------------------------------------------- */

static void put_label_line(FILE *out, const char *name, const char *words)
{
    show_folded(out, 16, name, words);
}

static void label(FILE *out, const struct worksheet *w, uint32_t index)
{
    const struct site_stock *stock = &w->site->stock[index];
    const unsigned hazards = caution_of_solution(&stock->solution);
    const char *name = w->config->stock_name[index], *words;
    char line[WORKSHEET_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    fprintf(
        out, "\n- - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - -\n");
    text_add(&t, stock->key);
    text_add(&t, " - ");
    text_add(&t, worksheet_kind(stock));
    if (name && strcmp(name, stock->key) != 0) {
        text_add(&t, " ");
        text_add(&t, name);
    }
    show_folded(out, 0, "", line);
    t = text_over(line, sizeof line);
    worksheet_add_contents(&t, stock);
    put_label_line(out, "  contents", line);
    for (size_t i = 0; (words = caution_on_label(hazards, i)) != NULL; i++) {
        put_label_line(out, i == 0 ? "  hazards" : "", words);
    }
    t = text_over(line, sizeof line);
    worksheet_add_apart(&t, w, index);
    put_label_line(out, "  apart from", t.length > 0 ? line : "every other bottle's contents");
    t = text_over(line, sizeof line);
    worksheet_add_pumps(&t, w, index, 6);
    put_label_line(out, "  pump", line);
    t = text_over(line, sizeof line);
    worksheet_add_short(&t, (double)stock->bottle_ul / 1000, 3);
    text_add(&t, " mL; made on ____________ by ____________");
    put_label_line(out, "  bottle", line);
    put_label_line(out, "  first", "the safety data sheet; signal word and pictograms are its");
}

static void labels_end(FILE *out)
{
    fprintf(
        out, "- - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - - -\n");
}

/* --- tables ----------------------------------------------------------------------------------- */

static void put_padded(FILE *out, const struct worksheet_column *column, const char *words)
{
    const int blanks = column->wide - (int)strlen(words);
    for (int i = 0; column->number && i < blanks; i++) {
        fputc(' ', out);
    }
    show_safely(out, words, strlen(words));
    for (int i = 0; !column->number && i < blanks; i++) {
        fputc(' ', out);
    }
}

static void row(FILE *out, const struct worksheet_table *table, const struct worksheet_cells *cells)
{
    uint32_t last = table->columns - 1;
    while (last > 0 && !cells->at[last][0]) {
        last--;
    }
    fputs(table->box ? "  [ ]" : " ", out);
    for (uint32_t c = 0; c <= last; c++) {
        fputc(' ', out);
        if (c == last && !table->column[c].number)
            show_safely(out, cells->at[c], strlen(cells->at[c]));
        else
            put_padded(out, &table->column[c], cells->at[c]);
    }
    fputc('\n', out);
}

static void table_of(FILE *out, const struct worksheet_table *table)
{
    struct worksheet_cells heads = { 0 };
    for (uint32_t c = 0; c < table->columns; c++) {
        (void)text_copy(heads.at[c], sizeof heads.at[c], table->column[c].head);
    }
    struct worksheet_table without_box = *table;
    without_box.box = false;
    part(out, table->caption);
    if (table->box) fputs("    ", out);
    row(out, &without_box, &heads);
}

static void table_end(FILE *out)
{
    fputc('\n', out);
}

static void end(FILE *out, const struct worksheet *w)
{
    (void)w;
    fflush(out);
}

void worksheet_write_text(const struct worksheet *w, FILE *out)
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
