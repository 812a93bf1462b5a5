#include "daemon/base/problems.h"

#include <stdio.h>

static void print(const char *kind, const struct problem_list *list)
{
    for (uint32_t i = 0; i < list->count; i++) {
        fprintf(stderr, "%s: %s%s\n", list->item[i].where, kind, list->item[i].text);
    }
    if (list->more > 0) fprintf(stderr, "... and %u more\n", list->more);
}

void problems_say(const struct problem_list *errors)
{
    print("", errors);
}

void problems_warn(const struct problem_list *unwise)
{
    print("warning: ", unwise);
}
