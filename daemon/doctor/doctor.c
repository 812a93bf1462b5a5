#include "daemon/doctor/doctor.h"

#include <stdarg.h>
#include <string.h>

#include "daemon/payload/payload.h"
#include "daemon/tool/tool_show.h"
#include "lib/base/invariant.h"

enum { VERDICT_COLUMNS = 6, FOUND_COLUMNS = 22, QUOTED_MAX = 6 * DOCTOR_FOUND_MAX };

static const char *const words[DOCTOR_VERDICTS] = { "ok", "warn", "fail" };

void doctor_see(struct doctor *d, const char *what, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(d->found, sizeof d->found, format, arguments);
    va_end(arguments);
    (void)text_copy(d->what, sizeof d->what, what);
}

static void put_member(FILE *out, const char *name, const char *value)
{
    char quoted[QUOTED_MAX];
    struct text t = text_over(quoted, sizeof quoted);
    payload_add_string(&t, value);
    fprintf(out, ",\"%s\":%s", name, t.cut ? "\"\"" : quoted);
}

static void put_json(struct doctor *d, enum doctor_verdict verdict, const char *remedy)
{
    const bool first = d->count[DOCTOR_OK] + d->count[DOCTOR_WARN] + d->count[DOCTOR_FAIL] == 0;
    fprintf(d->out, "%s{\"verdict\":\"%s\"", first ? "" : ",", words[verdict]);
    put_member(d->out, "what", d->what);
    put_member(d->out, "found", d->found);
    if (remedy) put_member(d->out, "remedy", remedy);
    fputc('}', d->out);
}

static void put_text(struct doctor *d, enum doctor_verdict verdict, const char *remedy)
{
    char label[VERDICT_COLUMNS + DOCTOR_WHAT_MAX + 1];
    snprintf(label, sizeof label, "%-*s%s", VERDICT_COLUMNS, words[verdict], d->what);
    show_folded(d->out, FOUND_COLUMNS, label, d->found);
    if (remedy) show_folded(d->out, FOUND_COLUMNS, "        what to do", remedy);
    fflush(d->out); /* the next one may take its time */
}

void doctor_judge(struct doctor *d, enum doctor_verdict verdict, const char *remedy)
{
    INVARIANT((verdict == DOCTOR_OK) == (remedy == NULL));
    (d->json ? put_json : put_text)(d, verdict, remedy);
    d->count[verdict]++;
}

void doctor_begin(struct doctor *d)
{
    if (d->json) fputs("{\"lines\":[", d->out);
}

int doctor_end(struct doctor *d)
{
    const uint32_t *n = d->count;
    const enum doctor_verdict worst = n[DOCTOR_FAIL] > 0   ? DOCTOR_FAIL
                                      : n[DOCTOR_WARN] > 0 ? DOCTOR_WARN
                                                           : DOCTOR_OK;
    if (d->json)
        fprintf(d->out, "],\"verdict\":\"%s\",\"ok\":%u,\"warn\":%u,\"fail\":%u}\n", words[worst],
            (unsigned)n[DOCTOR_OK], (unsigned)n[DOCTOR_WARN], (unsigned)n[DOCTOR_FAIL]);
    else
        fprintf(d->out, "\n%u ok, %u to look at (warn), %u wrong (fail)\n", (unsigned)n[DOCTOR_OK],
            (unsigned)n[DOCTOR_WARN], (unsigned)n[DOCTOR_FAIL]);
    return (int)worst;
}

const char *doctor_date(char ret[DOCTOR_DATE_MAX], struct civil at)
{
    struct text t = text_over(ret, DOCTOR_DATE_MAX);
    text_add_civil(&t, at);
    char *time = strchr(ret, 'T');
    if (time) *time = '\0';
    return ret;
}
