/* The chain as plain line drawings: one for the head, one for each module, so that a page may break
 * between them. The cable runs down the left side through all of them. */
#include <string.h>

#include "daemon/worksheet/worksheet_inside.h"

enum {
    WIDE = 340,
    CABLE_X = 36,
    HEAD_TALL = 74,
    LINK_TALL = 44, /* of cable above a module */
    NAME_TALL = 34,
    ROW_TALL = 36, /* of an output */
    BOX_LEFT = 8,
    BOX_RIGHT = 118,
    PUMP_X = 140,
    TEXT_X = 172,
    TEXT_MOST = 24, /* characters from there to the right edge */
};

/* Text that fits into a drawing: cut with dots, whole in its title. */
static void put_text(FILE *out, const char *class, int x, int y, const char *words)
{
    char shown[64];
    (void)text_copy(shown, TEXT_MOST + 1, words);
    const bool cut = strlen(words) > TEXT_MOST;
    if (cut) memcpy(shown + TEXT_MOST - 2, "..", 3);
    fprintf(out, "<text class=\"%s\" x=\"%d\" y=\"%d\">", class, x, y);
    if (cut) {
        fputs("<title>", out);
        worksheet_put(out, words);
        fputs("</title>", out);
    }
    worksheet_put(out, shown);
    fputs("</text>\n", out);
}

static void open_drawing(FILE *out, int tall, const char *words)
{
    fprintf(out, "<svg viewBox=\"0 0 %d %d\" role=\"img\" aria-label=\"", WIDE, tall);
    worksheet_put(out, words);
    fputs("\">\n", out);
}

static void put_cable(FILE *out, int from, int to)
{
    fprintf(out, "<line class=\"cable\" x1=\"%d\" x2=\"%d\" y1=\"%d\" y2=\"%d\"/>\n", CABLE_X,
        CABLE_X, from, to);
}

static void put_box(FILE *out, int top, int tall)
{
    fprintf(out, "<rect class=\"edge\" x=\"%d\" y=\"%d\" width=\"%d\" height=\"%d\"/>\n", BOX_LEFT,
        top, BOX_RIGHT - BOX_LEFT, tall);
}

static void draw_head(FILE *out, const struct chain_config *chain)
{
    char words[WORKSHEET_LINE_MAX];
    struct text t = text_over(words, sizeof words);
    text_add(&t, "Chain head, device ");
    text_add(&t, chain->device);
    text_add(&t, ", fed through a fuse");
    open_drawing(out, HEAD_TALL, words);
    put_box(out, 2, HEAD_TALL - 14);
    put_text(out, "strong", BOX_LEFT + 8, 24, "chain head");
    put_text(out, "small", BOX_LEFT + 8, 44, chain->device);
    put_cable(out, HEAD_TALL - 12, HEAD_TALL);
    /* the fuse: a box with a wire through it */
    fprintf(out,
        "<path class=\"edge\" d=\"M%d 24h42\"/>"
        "<rect class=\"edge\" x=\"%d\" y=\"18\" width=\"22\" height=\"12\"/>\n",
        BOX_RIGHT, BOX_RIGHT + 9);
    t = text_over(words, sizeof words);
    text_add(&t, "supply ");
    text_add_real(&t, chain->supply.volts, 1);
    text_add(&t, " V, ");
    text_add_real(&t, chain->supply.amps, 2);
    text_add(&t, " A");
    put_text(out, "", TEXT_X, 28, words);
    put_text(out, "small", TEXT_X, 44, "through a fuse");
    fputs("</svg>\n", out);
}

/* A pump: a circle with its number; a circulation pump: one with an arrow going round. */
static void draw_output(
    FILE *out, const struct worksheet *w, const struct worksheet_output *o, uint32_t channel, int y)
{
    const struct site_tank *tank = &w->site->tank[o->tank];
    char words[WORKSHEET_LINE_MAX];
    struct text t = text_over(words, sizeof words);
    fprintf(out, "<path class=\"tube\" d=\"M%d %dh10\"/>\n", BOX_RIGHT, y);
    fprintf(out, "<circle class=\"edge\" cx=\"%d\" cy=\"%d\" r=\"12\"/>\n", PUMP_X, y);
    if (o->pump < 0) {
        fprintf(out,
            "<path class=\"tube\" d=\"M%d %da6 6 0 1 1 -3 -5\"/>"
            "<path class=\"solid\" d=\"M%d %dl-7 1 5 -6z\"/>\n",
            PUMP_X + 6, y, PUMP_X + 6, y - 4);
        put_text(out, "strong", TEXT_X, y - 2, "circulation");
        text_add(&t, "of ");
    } else {
        fprintf(out, "<text class=\"strong\" x=\"%d\" y=\"%d\" text-anchor=\"middle\">%u</text>\n",
            PUMP_X, y + 4, channel);
        text_add(&t, "bottle ");
        text_add(&t, w->site->stock[tank->pump[o->pump].stock].key);
        put_text(out, "strong", TEXT_X, y - 2, words);
        t = text_over(words, sizeof words);
        text_add(&t, "to line of ");
    }
    text_add(&t, tank->key);
    put_text(out, "small", TEXT_X, y + 13, words);
}

static int outputs_of(const struct worksheet_output *output)
{
    int count = 0;
    for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
        if (output[c].tank >= 0) count++;
    }
    return count;
}

static void add_outputs(
    struct text *t, const struct worksheet *w, const struct worksheet_output *output)
{
    for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
        if (output[c].tank < 0) continue;
        const struct site_tank *tank = &w->site->tank[output[c].tank];
        if (output[c].pump < 0) {
            text_add(t, "; circulation of ");
        } else {
            text_add(t, "; pump ");
            text_add_int(t, c);
            text_add(t, " from bottle ");
            text_add(t, w->site->stock[tank->pump[output[c].pump].stock].key);
            text_add(t, " to the line of ");
        }
        text_add(t, tank->key);
    }
}

static void draw_module(FILE *out, const struct worksheet *w, uint32_t chain, uint32_t m)
{
    const struct chain_module_config *module = &w->site->chain[chain].module[m];
    const struct worksheet_output *output = w->output[chain][m];
    const bool last = m + 1 == w->site->chain[chain].count;
    const int rows = outputs_of(output);
    const int tall = NAME_TALL + (rows > 0 ? rows : 1) * ROW_TALL;
    char words[WORKSHEET_LINE_MAX];
    struct text t = text_over(words, sizeof words);
    text_add(&t, "Module ");
    text_add(&t, module->serial);
    text_add(&t, " at position ");
    text_add_int(&t, m + 1);
    add_outputs(&t, w, output);
    open_drawing(out, LINK_TALL + tall + (last ? 6 : 0), words);
    put_cable(out, 0, LINK_TALL);
    t = text_over(words, sizeof words);
    worksheet_add_cable(&t, module);
    put_text(out, "small", CABLE_X + 12, 26, words);
    put_box(out, LINK_TALL, tall);
    t = text_over(words, sizeof words);
    text_add_int(&t, m + 1);
    text_add(&t, "  ");
    text_add(&t, module->serial);
    put_text(out, "strong", BOX_LEFT + 8, LINK_TALL + 22, words);
    put_text(out, "small", BOX_LEFT + 8, LINK_TALL + 38, last ? "last module" : "module");
    int y = LINK_TALL + NAME_TALL / 2 + ROW_TALL / 2;
    for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
        if (output[c].tank < 0) continue;
        draw_output(out, w, &output[c], c, y);
        y += ROW_TALL;
    }
    fputs("</svg>\n", out);
}

void worksheet_draw(FILE *out, const struct worksheet *w, uint32_t chain)
{
    draw_head(out, &w->site->chain[chain]);
    for (uint32_t m = 0; m < w->site->chain[chain].count; m++) {
        draw_module(out, w, chain, m);
    }
}
