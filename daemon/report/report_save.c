#include "daemon/base/save_file.h"
#include "daemon/report/report_inside.h"

struct saved {
    const struct report *r;
    enum report_form form;
};

static void put(FILE *out, const void *context)
{
    const struct saved *s = context;
    report_write(s->r, s->form, out, NULL);
}

enum err report_save(const struct report *r, enum report_form form, const char *path, bool over,
    struct problem *problem)
{
    static const char *const beginnings[] = { REPORT_HTML_START, REPORT_JSON_START,
        REPORT_CSV_START, NULL };
    const struct saved s = { r, form };
    const struct save_file what = { .path = path,
        .over = over,
        .kind = "report",
        .beginnings = beginnings,
        .write = put,
        .context = &s };
    return save_file(&what, problem);
}
