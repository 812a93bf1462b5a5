/* Private to the schema: one value by one row. schema_read_value of schema.h is made of these. */
#ifndef DOSEWRIGHT_DAEMON_SCHEMA_VALUE_H
#define DOSEWRIGHT_DAEMON_SCHEMA_VALUE_H

#include "daemon/config/schema.h"
#include "lib/base/invariant.h"
#include "lib/base/text.h"

/* "0.5 to 100000 L", "one of: mV, ph", "true or false": what a row allows, for errors and the page.
 */
void schema_add_allowed(struct text *t, const struct schema_row *row);

#endif
