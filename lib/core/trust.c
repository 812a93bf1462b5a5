/* Who may ask over the broker. Where the configuration has keys, only what was signed with one of
 * them, and each signature once; stopping alone is open to all. Who fails again and again isn't
 * listened to for a while. The shell verifies signatures; what follows from them is decided here.
 */
#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

enum core_trust core_trust(struct core *core, const struct event_request *q)
{
    if (core->site->signer_count == 0 || !request_from_broker(q)) return TRUST_OPEN;
    if (!q->origin.signer) return TRUST_UNSIGNED;
    return signer_take(&core->signers, q->origin.signer, q->origin.n) ? TRUST_SIGNED : TRUST_AGAIN;
}

/* --- the name of a sender --------------------------------------------------------------------- */

/* A key is its owner's; what was sent with it before may be sent again by anybody. False: it has no
 * name. */
static bool sender_of(char ret[MUTE_NAME_MAX], const struct event_request *q, enum core_trust trust)
{
    struct text t = text_over(ret, MUTE_NAME_MAX);
    const bool by_topic = q->origin.reply && q->origin.reply[0];
    if (!request_from_broker(q) || (trust != TRUST_SIGNED && !by_topic)) return false;
    text_add(&t, trust == TRUST_SIGNED ? "key " : "topic ");
    text_add(&t, trust == TRUST_SIGNED ? q->origin.signer : q->origin.reply);
    return true;
}

static void name_alert(char ret[ALERT_ID_MAX], uint32_t place)
{
    struct text t = text_over(ret, ALERT_ID_MAX);
    text_add(&t, "muted-sender-");
    text_add_int(&t, (int64_t)place + 1);
}

/* --- muting ----------------------------------------------------------------------------------- */

bool core_is_muted(
    struct core *core, const struct event_request *q, enum core_trust trust, struct now now)
{
    char name[MUTE_NAME_MAX];
    return sender_of(name, q, trust) && mute_holds(&core->mutes, name, now.mono);
}

void core_note_failure(struct core *core, const struct event_request *q, enum core_trust trust,
    struct now now, struct actions *ret)
{
    char name[MUTE_NAME_MAX], id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    uint32_t place;
    if (!sender_of(name, q, trust) || !mute_strike(&core->mutes, name, now.mono, &place)) return;
    const bool by_key = trust == TRUST_SIGNED;
    const char *who = by_key ? q->origin.signer : q->origin.reply;
    struct text t = text_over(text, sizeof text);
    text_add(&t, by_key ? "requests signed with the key " : "requests that want answers on ");
    text_add_quoted(&t, who, strlen(who), MUTE_NAME_SHOWN);
    text_add(&t, " aren't looked at for 5 minutes: too many of them failed or came at once. Find "
                 "what sends them; acknowledge this to listen at once. A halt is never refused");
    name_alert(id, place);
    alert_raise(core, id, -1, text, ret);
}

static void end_mute(struct core *core, uint32_t place, struct actions *ret)
{
    char id[ALERT_ID_MAX];
    core->asked.unrecorded += core->mutes.sender[place].unheard;
    mute_end(&core->mutes, place);
    name_alert(id, place);
    alert_clear(core, id, ret);
}

void core_unmute(struct core *core, const char *alert, struct actions *ret)
{
    char id[ALERT_ID_MAX];
    for (uint32_t i = 0; i < MUTE_SENDERS_MAX; i++) {
        name_alert(id, i);
        if (core->mutes.sender[i].muted && text_same(id, alert)) end_mute(core, i, ret);
    }
}

void core_turn_trust(struct core *core, struct now now, struct actions *ret)
{
    uint32_t place;
    struct record r;
    if (mute_over(&core->mutes, now.mono, &place)) end_mute(core, place, ret);
    if (signer_record_due(&core->signers, now.mono, &r)) emit(ret, ACTION_RECORD)->record = r;
}
