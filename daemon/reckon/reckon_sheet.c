#include <cjson/cJSON.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "daemon/tool/caution.h"
#include "daemon/tool/tool_show.h"

enum {
    SECTIONS_MAX = 32,
    ROWS_MAX = 400,
    NOTES_MAX = 32,
    BASES_MAX = 40,
    LABEL_COLUMNS = 42,
    VALUE_COLUMNS = 11,
    NAME_MAX_BYTES = 72,
    NOTE_MAX = 1000,
};

#define LEAST_SHOWN 5e-7

struct row {
    char key[NAME_MAX_BYTES], label[NAME_MAX_BYTES];
    const char *unit;
    double value[SHEET_COLUMNS_MAX];
    int decimals;
    char words[NOTE_MAX];
    int basis; /* index, -1 for none */
};

struct section {
    const char *key, *title;
    const char *column[SHEET_COLUMNS_MAX + 1];
    int basis;
    uint32_t first, count;
};

struct sheet {
    const struct reckon_args *args;
    uint32_t sections, rows, notes, bases;
    struct section section[SECTIONS_MAX];
    struct row row[ROWS_MAX];
    char note[NOTES_MAX][NOTE_MAX];
    const char *basis[BASES_MAX];
    unsigned hazards;
    bool full;
};

struct sheet *sheet_new(const struct reckon_args *args)
{
    struct sheet *s = calloc(1, sizeof *s);
    if (s) s->args = args;
    return s;
}

void sheet_free(struct sheet *sheet)
{
    free(sheet);
}

/* --- filling ---------------------------------------------------------------------------------- */

static int basis_of(struct sheet *s, const char *basis)
{
    if (!basis || !basis[0]) return -1;
    for (uint32_t i = 0; i < s->bases; i++) {
        if (strcmp(s->basis[i], basis) == 0) return (int)i;
    }
    if (s->bases == BASES_MAX) {
        s->full = true;
        return -1;
    }
    s->basis[s->bases] = basis;
    return (int)s->bases++;
}

void sheet_table(struct sheet *sheet, const char *key, const char *title,
    const char *const columns[], const char *basis)
{
    if (sheet->sections == SECTIONS_MAX) {
        sheet->full = true;
        return;
    }
    struct section *section = &sheet->section[sheet->sections++];
    *section = (struct section){ .key = key, .title = title, .first = sheet->rows };
    for (size_t i = 0; columns && i < SHEET_COLUMNS_MAX && columns[i]; i++) {
        section->column[i] = columns[i];
    }
    section->basis = basis_of(sheet, basis);
}

void sheet_section(struct sheet *sheet, const char *key, const char *title)
{
    sheet_table(sheet, key, title, NULL, NULL);
}

static struct row *add_row(struct sheet *s, const char *key, const char *label)
{
    if (s->rows == ROWS_MAX || s->sections == 0) {
        s->full = true;
        return NULL;
    }
    struct row *row = &s->row[s->rows++];
    s->section[s->sections - 1].count++;
    *row = (struct row){ .unit = "", .basis = -1, .decimals = -1 };
    (void)text_copy(row->key, sizeof row->key, key);
    (void)text_copy(row->label, sizeof row->label, label);
    return row;
}

void sheet_number(struct sheet *sheet, const struct sheet_figure *figure)
{
    struct row *row = add_row(sheet, figure->key, figure->label);
    if (!row) return;
    row->unit = figure->unit;
    row->value[0] = figure->value;
    row->decimals = figure->decimals;
    row->basis = basis_of(sheet, figure->basis);
}

void sheet_words(
    struct sheet *sheet, const char *key, const char *label, const char *words, const char *basis)
{
    struct row *row = add_row(sheet, key, label);
    if (!row) return;
    (void)text_copy(row->words, sizeof row->words, words);
    row->basis = basis_of(sheet, basis);
}

void sheet_row(struct sheet *sheet, const char *name, const double *values, const char *remark)
{
    struct row *row = add_row(sheet, name, name);
    if (!row) return;
    for (size_t i = 0; sheet->section[sheet->sections - 1].column[i]; i++) {
        row->value[i] = values[i];
    }
    if (remark) (void)text_copy(row->words, sizeof row->words, remark);
}

void sheet_note(struct sheet *sheet, const char *text)
{
    if (sheet->notes == NOTES_MAX)
        sheet->full = true;
    else
        (void)text_copy(sheet->note[sheet->notes++], NOTE_MAX, text);
}

void sheet_caution(struct sheet *sheet, unsigned hazards)
{
    sheet->hazards |= hazards;
}

/* --- text ------------------------------------------------------------------------------------- */

/* Four digits that count, at most six places. */
static int usual_decimals(double value)
{
    const double size = fabs(value);
    if (size >= 1000.0) return 0;
    if (size >= 100.0) return 1;
    if (size >= 10.0) return 2;
    if (size >= 0.1 || !(size > 0.0)) return 3;
    return size >= 0.001 ? 5 : 6;
}

static void print_value(double value, int decimals)
{
    if (!isfinite(value)) {
        printf("%*s", VALUE_COLUMNS, "-");
        return;
    }
    const double shown = fabs(value) < LEAST_SHOWN ? 0.0 : value; /* no "-0.000" */
    printf("%*.*f", VALUE_COLUMNS, decimals < 0 ? usual_decimals(shown) : decimals, shown);
}

static void print_label(const char *label)
{
    fputs("  ", stdout);
    show_safely(stdout, label, strlen(label));
    for (size_t column = 2 + strlen(label); column < LABEL_COLUMNS; column++) {
        fputc(' ', stdout);
    }
}

static void print_basis(int basis)
{
    if (basis >= 0) printf(" [%d]", basis + 1);
}

static void print_line(const struct row *row)
{
    if (row->words[0]) {
        char words[NOTE_MAX + 16], label[NAME_MAX_BYTES + 4];
        struct text t = text_over(words, sizeof words), l = text_over(label, sizeof label);
        text_add(&t, row->words);
        if (row->basis >= 0) {
            text_add(&t, " [");
            text_add_int(&t, row->basis + 1);
            text_add(&t, "]");
        }
        text_add(&l, "  ");
        text_add(&l, row->label);
        show_folded(stdout, LABEL_COLUMNS - 20, label, words);
        return;
    }
    print_label(row->label);
    print_value(row->value[0], row->decimals);
    printf("%s%s", row->unit[0] ? " " : "", row->unit);
    print_basis(row->basis);
    fputc('\n', stdout);
}

/* A table's name column is narrower, so that four figures fit into 80 columns. */
static void print_cells(const struct section *section, const struct row *row)
{
    printf("  ");
    show_safely(stdout, row->label, strlen(row->label));
    for (size_t column = 2 + strlen(row->label); column < LABEL_COLUMNS - 14; column++) {
        fputc(' ', stdout);
    }
    for (size_t i = 0; section->column[i]; i++) {
        print_value(row->value[i], row->decimals);
    }
    if (row->words[0]) {
        fputs("  ", stdout);
        show_safely(stdout, row->words, strlen(row->words));
    }
    fputc('\n', stdout);
}

static void print_section(const struct sheet *s, const struct section *section)
{
    if (section->count == 0) return;
    printf("\n%-*s", LABEL_COLUMNS - 14, section->title);
    for (size_t i = 0; section->column[i]; i++) {
        printf("%*s", VALUE_COLUMNS, section->column[i]);
    }
    print_basis(section->basis);
    fputc('\n', stdout);
    for (uint32_t r = section->first; r < section->first + section->count; r++) {
        if (section->column[0])
            print_cells(section, &s->row[r]);
        else
            print_line(&s->row[r]);
    }
}

/* --- cautions --------------------------------------------------------------------------------- */

static void print_cautions(const struct sheet *s)
{
    if (s->hazards == 0) return;
    puts("\nCAUTION");
    const char *words;
    for (size_t i = 0; (words = caution_words(s->hazards, i)) != NULL; i++) {
        show_folded(stdout, 4, "  -", words);
    }
}

static void print_text(const struct sheet *s)
{
    printf("reckon %s\n", s->args->topic->name);
    for (uint32_t i = 0; i < s->sections; i++) {
        print_section(s, &s->section[i]);
    }
    if (s->notes > 0) puts("\nnotes");
    for (uint32_t i = 0; i < s->notes; i++) {
        show_folded(stdout, 4, "  -", s->note[i]);
    }
    print_cautions(s);
    if (s->bases > 0) puts("\nrests on");
    for (uint32_t i = 0; i < s->bases; i++) {
        char label[16];
        snprintf(label, sizeof label, "  [%u]", i + 1);
        show_folded(stdout, 7, label, s->basis[i]);
    }
}

/* --- JSON ------------------------------------------------------------------------------------- */

/* "mmol/L" becomes mmol_l, "grams A" grams_a. */
static void key_from(char *ret, size_t room, const char *name)
{
    size_t at = 0;
    for (; *name && at + 1 < room; name++) {
        const char c = *name;
        if (c >= 'A' && c <= 'Z')
            ret[at++] = (char)(c - 'A' + 'a');
        else if ((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9'))
            ret[at++] = c;
        else if (c == '%')
            at += (size_t)snprintf(ret + at, room - at, "percent");
        else if (at > 0 && ret[at - 1] != '_')
            ret[at++] = '_';
    }
    while (at > 0 && ret[at - 1] == '_')
        at--;
    ret[at < room ? at : room - 1] = '\0';
}

static void add_value(cJSON *to, const char *key, double value)
{
    if (!isfinite(value))
        (void)cJSON_AddNullToObject(to, key);
    else
        (void)cJSON_AddNumberToObject(to, key, round(value * 1e9) / 1e9);
}

static void add_line(const struct sheet *s, cJSON *to, const struct row *row)
{
    cJSON *object = cJSON_AddObjectToObject(to, row->key);
    if (row->words[0]) {
        (void)cJSON_AddStringToObject(object, "text", row->words);
    } else {
        add_value(object, "value", row->value[0]);
        (void)cJSON_AddStringToObject(object, "unit", row->unit);
    }
    if (row->basis >= 0) (void)cJSON_AddStringToObject(object, "basis", s->basis[row->basis]);
}

static void add_cells(const struct section *section, cJSON *to, const struct row *row)
{
    cJSON *object = cJSON_CreateObject();
    (void)cJSON_AddStringToObject(object, "name", row->label);
    for (size_t i = 0; section->column[i]; i++) {
        char key[NAME_MAX_BYTES];
        key_from(key, sizeof key, section->column[i]);
        add_value(object, key, row->value[i]);
    }
    if (row->words[0]) (void)cJSON_AddStringToObject(object, "remark", row->words);
    (void)cJSON_AddItemToArray(to, object);
}

static void add_section(const struct sheet *s, cJSON *root, const struct section *section)
{
    cJSON *object = cJSON_AddObjectToObject(root, section->key);
    cJSON *rows = section->column[0] ? cJSON_AddArrayToObject(object, "rows") : NULL;
    for (uint32_t r = section->first; r < section->first + section->count; r++) {
        if (rows)
            add_cells(section, rows, &s->row[r]);
        else
            add_line(s, object, &s->row[r]);
    }
    if (section->basis >= 0)
        (void)cJSON_AddStringToObject(object, "basis", s->basis[section->basis]);
}

static void add_sentences(const struct sheet *s, cJSON *root)
{
    cJSON *notes = cJSON_AddArrayToObject(root, "notes");
    for (uint32_t i = 0; i < s->notes; i++) {
        (void)cJSON_AddItemToArray(notes, cJSON_CreateString(s->note[i]));
    }
    cJSON *list = cJSON_AddArrayToObject(root, "cautions");
    if (s->hazards == 0) return;
    const char *words;
    for (size_t i = 0; (words = caution_words(s->hazards, i)) != NULL; i++) {
        (void)cJSON_AddItemToArray(list, cJSON_CreateString(words));
    }
}

static int print_json(const struct sheet *s)
{
    cJSON *root = cJSON_CreateObject();
    (void)cJSON_AddStringToObject(root, "reckon", s->args->topic->name);
    for (uint32_t i = 0; i < s->sections; i++) {
        add_section(s, root, &s->section[i]);
    }
    add_sentences(s, root);
    char *text = cJSON_Print(root);
    if (text) puts(text);
    cJSON_Delete(root);
    free(text);
    return text ? EX_OK : EX_OSERR;
}

int sheet_print(const struct sheet *sheet)
{
    int code = EX_OK;
    if (sheet->full) fputs("dosewright reckon: some lines found no room\n", stderr);
    if (sheet->args->json)
        code = print_json(sheet);
    else
        print_text(sheet);
    return fflush(stdout) == 0 && !ferror(stdout) ? code : EX_IOERR;
}
