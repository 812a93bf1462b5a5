/* Where a home hub was told of the devices. */
#include "daemon/run/daemon.h"
#include "lib/base/text.h"

static const char *announce_at(const struct daemon *d)
{
    return d->config->discovery_prefix ? d->config->discovery_prefix : "";
}

void daemon_record_announced(struct daemon *d)
{
    struct record r;
    record_start(&r, "announced");
    record_add_text(&r, "prefix", d->announced);
    daemon_record(d, &r);
}

/* Once what stood elsewhere has gone. */
void daemon_note_announced(struct daemon *d)
{
    if (text_same(d->announced, announce_at(d)) || homie_clearing(d->homie)) return;
    (void)text_copy(d->announced, sizeof d->announced, announce_at(d));
    daemon_record_announced(d);
}

void daemon_withdraw_announced(struct daemon *d)
{
    if (d->announced[0] && !text_same(d->announced, announce_at(d)))
        homie_withdraw_all(d->homie, d->announced);
}
