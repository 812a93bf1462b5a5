/* What every test program shares: the hook for broken invariants and a main that runs one case. */
#ifndef DOSEWRIGHT_TESTS_SUPPORT_H
#define DOSEWRIGHT_TESTS_SUPPORT_H

#include <check.h>

#include "lib/base/invariant.h"

/* Runs one test case as a suite of its own; for "int main(void) { return run_case(...); }". */
int run_case(TCase *tcase, const char *name);

/* A path below a folder that is this program's own and goes with it. */
void test_place(char *ret, size_t size, const char *name);

#endif
