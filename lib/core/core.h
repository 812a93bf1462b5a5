/* The core: a state machine that makes every decision of the daemon and touches nothing itself.
 *
 *     struct event in, struct actions out.
 *
 * The same events give the same actions. Storage is one block that the shell provides when a
 * configuration is loaded; nothing is allocated afterwards. Life of a core:
 *
 *     core_init            over a block of core_size(site) bytes
 *     core_restore         once for each record of the journal, oldest first
 *     core_restored        when the journal has been read
 *     core_step            for each event; then perform the actions in order
 *     core_reload          into a new core, when a new configuration is taken over
 */
#ifndef DOSEWRIGHT_CORE_CORE_H
#define DOSEWRIGHT_CORE_CORE_H

#include "lib/chain/bind.h"
#include "lib/core/action.h"
#include "lib/core/event.h"
#include "lib/core/view.h"

struct core; /* lib/core/state.h, for the core's own files and for tests */

struct core_identity {
    char by[CHAIN_WORD_MAX]; /* drawn at random at this start, never kept */
    const char *boot;        /* the board's boot id */
};

/* Bytes that a core for this site needs, and its alignment (of max_align_t). */
size_t core_size(const struct site *site);

/* Lays out a fresh core: everything waits, no limit is used up. 'site' must outlive it. */
struct core *core_init(
    void *block, const struct site *site, const struct core_identity *identity, struct now now);

/* One old record: 'recorded' is its instant on the running monotonic clock (negative for before
 * this boot) and the civil time it bears. */
void core_restore(struct core *core, const struct record *record, struct now recorded);

/* The journal has been read; 'empty' says that there was none. Actions: the 'start' record. */
void core_restored(struct core *core, bool empty, struct now now, struct actions *ret);

/* One event. 'ret' is emptied first. */
void core_step(struct core *core, const struct event *event, struct now now, struct actions *ret);

/* When a tick is due at the latest. The shell ticks as long as this is not after now: one tick
 * looks after one tank or chain. */
struct mono core_wakes_at(const struct core *core);

/* True while nothing moves and no command is under way: a configuration may be swapped. */
bool core_quiet(const struct core *core);

/* While one waits for that, no dose is begun: else one of very many tanks would always be at it. */
void core_hold_back(struct core *core, bool back);

/* The link is down and a dose has ended by now: its outcome can't be awaited, and it counts as
 * delivered in full. One at a time; false when there is none. */
bool core_settle_ended(struct core *core, struct now now, struct actions *ret);

/* Fills a fresh core (core_init with the new site) from the old one: used-up limits, pauses, halts,
 * overrides, bottle ledgers, trusted readings, what each chain is known to be. By key, not by
 * index. */
void core_reload(struct core *fresh, const struct core *old, struct now now, struct actions *ret);

/* Records that restate what must outlive the oldest segment: the shell appends them at the start of
 * a new one. Call with *cursor 0 until it returns false; each call fills 'ret' with a few records.
 */
bool core_carry(const struct core *core, uint32_t *cursor, struct now now, struct actions *ret);

/* The order of modules that a person has adopted for this chain, over a file whose order has this
 * tag (chain_file_tag()); NULL: none. The shell rearranges a configuration by it (chain_rebind()
 * and the pumps' addresses) after core_restore, before core_restored and core_reload, and when
 * ACTION_REBIND says so; then, with the chain rearranged, it calls core_rebound. */
const struct chain_binding *core_adopted(const struct core *core, uint32_t chain, int64_t file_tag);
void core_rebound(struct core *core, uint32_t chain, struct now now, struct actions *ret);

/* Calibrations that people made here and that are newer than the configuration's own dates: written
 * into a tank of 'next', a configuration that its owner may change (the one in force, or one that
 * is about to be). After core_restore, before core_restored and core_reload, and when ACTION_AMEND
 * says so; then, for the one in force, core_amended. */
void core_amend(const struct core *core, struct site *next, uint32_t tank);
void core_amended(struct core *core, uint32_t tank);

/* What a chain head would have kept over a restart, for one that is played by the shell
 * (lib/chain/plain_head.h): the claim that was in force or asked for last, with by "" and reign 0
 * for none, and how long an output was run by hand, as far as it was counted. */
void core_former_claim(const struct core *core, uint32_t chain, struct chain_claim *ret);
int64_t core_hand_ms(const struct core *core, uint32_t chain, const char *serial, uint32_t channel);

/* What to show. */
void core_view_site(const struct core *core, struct now now, struct site_view *ret);
void core_view_tank(const struct core *core, uint32_t tank, struct now now, struct tank_view *ret);
void core_view_probe(const struct core *core, uint32_t tank, enum probe_quantity quantity,
    struct now now, struct probe_view *ret);
void core_view_chain(
    const struct core *core, uint32_t chain, struct now now, struct chain_view *ret);
void core_view_stock(
    const struct core *core, uint32_t stock, struct now now, struct stock_view *ret);

/* The alerts that stand; false past the last. One that ends meanwhile moves those after it up by
 * one: who acknowledges each on the way stays at the index, or every other one is passed over. */
bool core_alert(const struct core *core, uint32_t index, struct alert_view *ret);

#endif
