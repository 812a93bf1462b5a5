/* What the simulations' shell would say to people: nothing. Included by one file of a program. */
#ifndef DOSEWRIGHT_TESTS_SIMULATION_SILENT_H
#define DOSEWRIGHT_TESTS_SIMULATION_SILENT_H

#include "daemon/base/log.h"
#include "daemon/door/door.h"
#include "daemon/homie/homie.h"
#include "daemon/run/daemon.h"

void log_format(enum log_level level, const char *format, ...)
{
    (void)level;
    (void)format;
}

void told_record(const struct record *record)
{
    (void)record;
}

void homie_entry(struct homie *h, struct mqtt *m, const char *line, const struct link_tip *tip)
{
    (void)h;
    (void)m;
    (void)line;
    (void)tip;
}

bool homie_again(struct homie *h, struct mqtt *m, const char *line)
{
    (void)h;
    (void)m;
    (void)line;
    return true;
}

void homie_answer(struct homie *h, struct mqtt *m, const char *answer)
{
    (void)h;
    (void)m;
    (void)answer;
}

void homie_warn(struct homie *h, struct mqtt *m, const char *text)
{
    (void)h;
    (void)m;
    (void)text;
}

void homie_inform(struct homie *h, struct mqtt *m, const char *text)
{
    (void)h;
    (void)m;
    (void)text;
}

#endif
