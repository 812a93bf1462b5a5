/* What the rig's relay board makes of a payload. */
#include "daemon/rig/rig_order.h"

#include <string.h>

#include "tests/unit/support.h"

static const struct plain_output switched = {
    .payload = "on", .off_payload = "off", .unit = PLAIN_SWITCHED, .auto_off_ms = 4000
};
static const struct plain_output ms = {
    .payload = "${ms}", .off_payload = "0", .unit = PLAIN_MS, .auto_off_ms = 60000
};
static const struct plain_output seconds = { .payload = "{\"relay\":1,\"s\":${seconds}}",
    .off_payload = "{\"relay\":1,\"s\":0}",
    .unit = PLAIN_SECONDS };
static const struct plain_output ml = {
    .payload = "give ${ml} mL", .off_payload = "stop", .unit = PLAIN_ML
};

static const struct {
    const struct plain_output *output;
    const char *payload;
    enum rig_order order;
    int64_t ms;
} c[] = {
    { &switched, "on", RIG_ORDER_ON, 4000 },
    { &switched, "off", RIG_ORDER_OFF, 0 },
    { &switched, "ON", RIG_ORDER_NONE, 0 },
    { &switched, "", RIG_ORDER_NONE, 0 },
    { &ms, "1234", RIG_ORDER_ON, 1234 },
    { &ms, "60001", RIG_ORDER_ON, 60000 }, /* its own limit */
    { &ms, "0", RIG_ORDER_OFF, 0 },
    { &ms, "-5", RIG_ORDER_NONE, 0 },
    { &ms, "12 ", RIG_ORDER_NONE, 0 },
    { &ms, "", RIG_ORDER_NONE, 0 },
    { &seconds, "{\"relay\":1,\"s\":4.2}", RIG_ORDER_ON, 4200 },
    { &seconds, "{\"relay\":1,\"s\":0}", RIG_ORDER_OFF, 0 },
    { &seconds, "{\"relay\":2,\"s\":4.2}", RIG_ORDER_NONE, 0 },
    { &seconds, "{\"relay\":1,\"s\":4.2", RIG_ORDER_NONE, 0 },
    { &seconds, "{\"relay\":1,\"s\":}", RIG_ORDER_NONE, 0 },
    { &ml, "give 3.5 mL", RIG_ORDER_ON, 7000 },
    { &ml, "stop", RIG_ORDER_OFF, 0 },
    { &ml, "give 3.5", RIG_ORDER_NONE, 0 },
};

START_TEST(a_payload_is_an_order_of_one_output)
{
    int64_t run_ms = -1;
    const enum rig_order order =
        rig_order_read(c[_i].output, 0.5, c[_i].payload, strlen(c[_i].payload), &run_ms);
    ck_assert_msg(order == c[_i].order, "%s", c[_i].payload);
    if (order == RIG_ORDER_ON) ck_assert_int_eq(run_ms, c[_i].ms);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("rig_order");
    tcase_add_loop_test(tc, a_payload_is_an_order_of_one_output, 0, sizeof c / sizeof *c);
    return run_case(tc, "rig_order");
}
