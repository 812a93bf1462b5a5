/* The worksheet: what the person who builds and wires a site wants on paper, made from the
 * configuration alone. One list of contents, two forms: text for a terminal, and an HTML page that
 * needs nothing else and prints in black on white. It moves nothing and asks nobody. */
#ifndef DOSEWRIGHT_DAEMON_WORKSHEET_H
#define DOSEWRIGHT_DAEMON_WORKSHEET_H

#include <stdio.h>

#include "daemon/config/config.h"

/* How a page begins, by which it is known again. */
#define WORKSHEET_HTML_START "<!doctype html>\n<!-- a dosewright worksheet -->\n"

struct worksheet;

/* Of a configuration that was loaded; it must outlive the worksheet. NULL when memory is short. */
struct worksheet *worksheet_new(const struct config *config, struct now now);
void worksheet_free(struct worksheet *w); /* NULL is fine */

/* Writes it; errors of the stream are the caller's to look for. */
void worksheet_write_text(const struct worksheet *w, FILE *out);
void worksheet_write_html(const struct worksheet *w, FILE *out);

#endif
