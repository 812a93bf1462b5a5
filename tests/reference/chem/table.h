/* Tables of reference values: comma-separated, first row names the columns, fields may stand in
 * double quotes. All rows are kept; an empty field is not-a-number. */
#ifndef DOSEWRIGHT_TESTS_REFERENCE_CHEM_TABLE_H
#define DOSEWRIGHT_TESTS_REFERENCE_CHEM_TABLE_H

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/chem/water.h"
#include "tests/unit/support.h"

enum { TABLE_COLUMNS_MAX = 48, TABLE_ROWS_MAX = 6000 };

struct table {
    char *bytes;
    int columns, rows; /* rows without the header */
    char *header[TABLE_COLUMNS_MAX];
    char *(*cell)[TABLE_COLUMNS_MAX];
};

/* Splits a line in place; returns the number of fields. */
static inline int table_split(char *line, char **fields)
{
    int count = 0;
    for (char *at = line; at != NULL && count < TABLE_COLUMNS_MAX;) {
        char *end = NULL;
        if (*at == '"') {
            fields[count++] = ++at;
            end = strchr(at, '"');
            ck_assert_ptr_nonnull(end);
            *end++ = '\0';
            at = *end == ',' ? end + 1 : NULL;
            continue;
        }
        fields[count++] = at;
        end = strchr(at, ',');
        if (end) *end = '\0';
        at = end ? end + 1 : NULL;
    }
    return count;
}

static inline struct table table_read(const char *name)
{
    char path[512];
    snprintf(path, sizeof path, "%s/reference/data/%s", TESTS_DIR, name);
    FILE *file = fopen(path, "rb");
    ck_assert_msg(file != NULL, "%s can't be opened", path);
    fseek(file, 0, SEEK_END);
    const long size = ftell(file);
    rewind(file);
    struct table t = { 0 };
    t.bytes = calloc(1, (size_t)size + 1);
    t.cell = calloc(TABLE_ROWS_MAX, sizeof *t.cell);
    ck_assert(fread(t.bytes, 1, (size_t)size, file) == (size_t)size);
    fclose(file);
    char *kept = NULL;
    for (char *line = strtok_r(t.bytes, "\r\n", &kept); line;
         line = strtok_r(NULL, "\r\n", &kept)) {
        if (t.columns == 0) {
            t.columns = table_split(line, t.header);
            continue;
        }
        ck_assert_int_lt(t.rows, TABLE_ROWS_MAX);
        ck_assert_int_eq(table_split(line, t.cell[t.rows]), t.columns);
        t.rows++;
    }
    ck_assert_int_gt(t.rows, 0);
    return t;
}

static inline void table_free(struct table *t)
{
    free(t->bytes);
    free(t->cell);
}

static inline int table_column(const struct table *t, const char *column)
{
    for (int c = 0; c < t->columns; c++) {
        if (strcmp(t->header[c], column) == 0) return c;
    }
    return -1;
}

static inline const char *table_text(const struct table *t, int row, const char *column)
{
    const int c = table_column(t, column);
    ck_assert_msg(c >= 0, "no column %s", column);
    return t->cell[row][c];
}

static inline double table_number(const struct table *t, int row, const char *column)
{
    const char *text = table_text(t, row, column);
    return *text ? strtod(text, NULL) : NAN;
}

/* The ions of a row in the columns' names of PHREEQC tables; carbon from DIC0_mmol where there. */
static inline struct water table_water(const struct table *t, int row)
{
    static const struct {
        const char *column;
        enum ion ion;
    } map[] = { { "K", ION_K }, { "Ca", ION_CA }, { "Mg", ION_MG }, { "Na", ION_NA },
        { "NH4", ION_NH4 }, { "NO3", ION_NO3 }, { "P", ION_PO4 }, { "SO4", ION_SO4 },
        { "Cl", ION_CL }, { "FeEDTA", ION_FEEDTA }, { "DIC0_mmol", ION_CO3 } };
    struct water w = { { 0 } };
    for (size_t i = 0; i < sizeof map / sizeof map[0]; i++) {
        if (table_column(t, map[i].column) < 0) continue;
        const double value = table_number(t, row, map[i].column);
        if (!isnan(value)) w.mmol_l[map[i].ion] = value;
    }
    return w;
}

/* Statistics of one kind of difference, for the line that a test prints. */
struct spread {
    int count;
    double sum, squares, worst; /* worst: largest absolute value, with its sign */
    int worst_row;
};

static inline void spread_add(struct spread *s, double difference, int row)
{
    s->count++;
    s->sum += difference;
    s->squares += difference * difference;
    if (!(fabs(difference) <= fabs(s->worst)) || s->count == 1) {
        s->worst = difference;
        s->worst_row = row;
    }
}

static inline double spread_rms(const struct spread *s)
{
    return sqrt(s->squares / s->count);
}

static inline void spread_print(const struct spread *s, const char *what, const char *unit)
{
    printf("%-58s %5d rows: mean %+.4f, rms %.4f, worst %+.4f %s\n", what, s->count,
        s->sum / s->count, spread_rms(s), s->worst, unit);
}

#endif
