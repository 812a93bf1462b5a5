/* Showing a daemon's answer on a terminal: plain text, no colour, no column beyond the 80th (or the
 * terminal's last) where it can be helped. Nothing that came from outside can move the cursor. */
#ifndef DOSEWRIGHT_DAEMON_TOOL_SHOW_H
#define DOSEWRIGHT_DAEMON_TOOL_SHOW_H

#include <cjson/cJSON.h>
#include <stdio.h>

#include "lib/base/text.h"

enum { SHOW_COLUMNS = 80, SHOW_COLUMNS_LEAST = 32 };

/* What is shown from here on folds at that column, SHOW_COLUMNS_LEAST to SHOW_COLUMNS; with 'ascii'
 * each character beyond ASCII becomes a '?'. Without a call: 80, and all characters. */
void show_set_terminal(int columns, bool ascii);

/* The column that is folded at. */
int show_columns(void);

/* By standard output's own size when it is a terminal, else by COLUMNS; and by the locale. */
void show_set_terminal_here(void);

/* Bytes as they are, but for control characters, which become '?'. */
void show_safely(FILE *out, const char *s, size_t length);

/* A label of 'indent' columns and words that are folded under each other. */
void show_folded(FILE *out, int indent, const char *label, const char *words);

/* A member of an object; "" or NAN or false or NULL when it isn't there or is something else. */
const char *show_string(const cJSON *object, const char *name);
double show_number(const cJSON *object, const char *name);
bool show_true(const cJSON *object, const char *name);
const cJSON *show_member(const cJSON *object, const char *name);

/* The whole answer of a status call; "tanks" may have been put together from several. */
void show_status(FILE *out, const cJSON *answer);

/* Its first lines: site, time, and what stops everything. */
void show_heading(FILE *out, const cJSON *answer);

/* One tank of it, seen from the instant "time" of the answer. */
void show_tank(FILE *out, const cJSON *tank, const char *time);

/* The same answer with one line for each tank. */
void show_brief(FILE *out, const cJSON *answer);

#endif
