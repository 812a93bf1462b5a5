#include "lib/base/problem.h"

#include "lib/base/text.h"

enum err problem_set(struct problem *p, enum err err, const char *where, const char *text)
{
    if (p) {
        p->err = err;
        text_copy(p->where, sizeof p->where, where);
        text_copy(p->text, sizeof p->text, text);
    }
    return err;
}

void problem_list_add(struct problem_list *list, const struct problem *p)
{
    if (list->count == PROBLEM_LIST_MAX) {
        list->more++;
        return;
    }
    list->item[list->count++] = *p;
}
