#include "tests/bench/control/report.h"

#include <math.h>
#include <stdlib.h>

struct ranked {
    double value;
    uint64_t seed;
};

/* Tanks to which a figure applies, from the best to the worst. */
struct ranking {
    size_t count;
    struct ranked *tank;
};

static int compare_rising(const void *a, const void *b)
{
    const struct ranked *x = a, *y = b;
    if (x->value < y->value) return -1;
    if (x->value > y->value) return 1;
    return x->seed < y->seed ? -1 : x->seed > y->seed;
}

static struct ranking rank(const struct field *f, int figure)
{
    struct ranking r = { 0, calloc(f->count + 1, sizeof *r.tank) };
    if (!r.tank) abort();
    for (size_t i = 0; i < f->count; i++) {
        const double value = f->score[i].result[figure];
        if (!isnan(value)) r.tank[r.count++] = (struct ranked){ value, f->seed + i };
    }
    qsort(r.tank, r.count, sizeof *r.tank, compare_rising);
    return r;
}

/* Nearest rank; never flattering by interpolation. */
static double percentile(const struct ranking *r, double share)
{
    if (r->count == 0) return (double)NAN;
    const double place = ceil(share * (double)r->count);
    return r->tank[place < 1.0 ? 0 : (size_t)place - 1].value;
}

static double worst_of(const struct ranking *r, enum spread spread)
{
    return percentile(r, spread == SPREAD_LOW_IS_BAD ? 0.0 : 1.0);
}

/* --- sums over all tanks ---------------------------------------------------------------------- */

struct sums {
    uint64_t doses[STOCKS], over[STOCKS], alarms_false, alarms_right;
    int tanks_over[STOCKS];
    double days;
};

static struct sums sum_up(const struct field *f)
{
    struct sums s = { { 0 }, { 0 }, 0, 0, { 0 }, 0.0 };
    for (size_t i = 0; i < f->count; i++) {
        const struct score *t = &f->score[i];
        for (int k = 0; k < STOCKS; k++) {
            s.doses[k] += t->doses[k];
            s.over[k] += t->over[k];
            s.tanks_over[k] += t->over[k] > 0;
        }
        s.alarms_false += t->alarms_false;
        s.alarms_right += t->alarms_right;
        s.days += t->days;
    }
    return s;
}

static double rate(uint64_t part, uint64_t all)
{
    return all > 0 ? (double)part / (double)all : 0.0;
}

static double ms_a_day(const struct field *f)
{
    return 1000.0 * f->cpu_s / ((double)f->count * f->days);
}

/* --- tables ----------------------------------------------------------------------------------- */

static void print_number(double value, double scale)
{
    const double x = value * scale;
    if (isnan(x))
        printf("%9s", "-");
    else if (fabs(x) > 0.0 && fabs(x) < 0.01)
        printf("%9.1e", x);
    else
        printf("%9.*f", fabs(x) < 10.0 ? 3 : 2, x);
}

static void print_figures(const struct field *f)
{
    printf("\n%-40s %6s %9s %9s %9s %9s\n", f->contender->name, "tanks", "median", "5 %", "95 %",
        "worst");
    for (int k = 0; k < FIGURES; k++) {
        const struct figure_info *info = &figure_list[k];
        struct ranking r = rank(f, k);
        char title[64];
        snprintf(title, sizeof title, "%s%s%s", info->title, *info->unit ? ", " : "", info->unit);
        printf("%-40s %6zu", title, r.count);
        print_number(percentile(&r, 0.5), info->scale);
        print_number(percentile(&r, 0.05), info->scale);
        print_number(percentile(&r, 0.95), info->scale);
        print_number(worst_of(&r, info->spread), info->scale);
        putchar('\n');
        free(r.tank);
    }
}

static void print_sums(const struct field *f)
{
    static const char *const stock[STOCKS] = { "feed", "acid", "base" };
    const struct sums s = sum_up(f);
    for (int k = 0; k < STOCKS; k++) {
        printf("of all %s doses: %llu, beyond the band %.2e, tanks %d of %zu\n", stock[k],
            (unsigned long long)s.doses[k], rate(s.over[k], s.doses[k]), s.tanks_over[k], f->count);
    }
    const double years = s.days / 365.0;
    printf("supply alarms: false %llu, one in %.1f tank-years; right %llu\n",
        (unsigned long long)s.alarms_false,
        s.alarms_false > 0 ? years / (double)s.alarms_false : (double)INFINITY,
        (unsigned long long)s.alarms_right);
    printf("cost: %.2f s, %.3f ms a tank-day\n", f->cpu_s, ms_a_day(f));
}

void report_table(const struct field *field, int count)
{
    printf("\n=== %zu tanks x %d days, seeds %llu to %llu, %s faults ===\n", field->count,
        field->days, (unsigned long long)field->seed,
        (unsigned long long)(field->seed + field->count - 1), field->faults ? "with" : "without");
    for (int i = 0; i < count; i++) {
        print_figures(&field[i]);
        print_sums(&field[i]);
    }
}

void report_worst(const struct field *field, int count, int worst)
{
    for (int i = 0; i < count; i++) {
        printf("\n%s: worst tanks, seed (value)\n", field[i].contender->name);
        for (int k = 0; k < FIGURES; k++) {
            const struct figure_info *info = &figure_list[k];
            struct ranking r = rank(&field[i], k);
            printf("  %-16s", info->key);
            for (size_t n = 0; n < (size_t)worst && n < r.count; n++) {
                const struct ranked *t =
                    &r.tank[info->spread == SPREAD_LOW_IS_BAD ? n : r.count - 1 - n];
                printf(" %llu (%.4g)", (unsigned long long)t->seed, t->value * info->scale);
            }
            putchar('\n');
            free(r.tank);
        }
    }
}

void report_meanings(void)
{
    puts("\nWhat is meant. 'Shown': the mixed tank as its own probes would show it without noise, "
         "lag"
         "\nand faults; 'true': without any error. Percentiles are over tanks, by nearest rank.");
    for (int k = 0; k < FIGURES; k++) {
        printf("%s: %s\n", figure_list[k].title, figure_list[k].meaning);
    }
}

/* --- JSON ------------------------------------------------------------------------------------- */

static void json_number(const char *key, double value)
{
    if (isfinite(value))
        printf("\"%s\":%.6g", key, value);
    else
        printf("\"%s\":null", key);
}

static void json_figures(const struct field *f)
{
    printf(",\"figures\":{");
    for (int k = 0; k < FIGURES; k++) {
        const struct figure_info *info = &figure_list[k];
        struct ranking r = rank(f, k);
        printf("%s\n  \"%s\":{\"tanks\":%zu,", k > 0 ? "," : "", info->key, r.count);
        json_number("median", percentile(&r, 0.5) * info->scale);
        putchar(',');
        json_number("p5", percentile(&r, 0.05) * info->scale);
        putchar(',');
        json_number("p95", percentile(&r, 0.95) * info->scale);
        putchar(',');
        json_number("worst", worst_of(&r, info->spread) * info->scale);
        printf(",\"unit\":\"%s\"}", info->unit);
        free(r.tank);
    }
    putchar('}');
}

void report_json(const struct field *field, int count, bool first)
{
    if (first) printf("{\"runs\":[");
    for (int i = 0; i < count; i++) {
        const struct field *f = &field[i];
        const struct sums s = sum_up(f);
        printf("%s\n{\"contender\":\"%s\",\"faults\":%s,\"tanks\":%zu,\"days\":%d,\"seed\":%llu,",
            first && i == 0 ? "" : ",", f->contender->name, f->faults ? "true" : "false", f->count,
            f->days, (unsigned long long)f->seed);
        json_number("seconds", f->cpu_s);
        putchar(',');
        json_number("ms_a_tank_day", ms_a_day(f));
        printf(",\"doses\":[%llu,%llu,%llu],\"beyond\":[%llu,%llu,%llu],\"false_alarms\":%llu",
            (unsigned long long)s.doses[0], (unsigned long long)s.doses[1],
            (unsigned long long)s.doses[2], (unsigned long long)s.over[0],
            (unsigned long long)s.over[1], (unsigned long long)s.over[2],
            (unsigned long long)s.alarms_false);
        json_figures(f);
        putchar('}');
    }
}
