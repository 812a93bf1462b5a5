/* What can happen. Everything the core ever learns comes through this door. */
#ifndef DOSEWRIGHT_CORE_EVENT_H
#define DOSEWRIGHT_CORE_EVENT_H

#include "lib/chain/message.h"
#include "lib/chain/plain_watch.h"
#include "lib/core/site.h"
#include "lib/core/view.h"
#include "lib/journal/link.h"

enum event_kind {
    EVENT_TICK,    /* the wake-up that core_wakes_at asked for */
    EVENT_LINK,    /* the broker answers and every subscription stands, or not */
    EVENT_READING, /* a probe's message */
    EVENT_HEAD,    /* $state of a chain head */
    EVENT_ROLL,
    EVENT_BEAT,
    EVENT_CLAIM,
    EVENT_REPORT,
    EVENT_LEDGER,
    EVENT_MANUAL,
    EVENT_BOARD,     /* what the reports of a plain output's board show */
    EVENT_PEER_BEAT, /* a live site/beat of another daemon */
    EVENT_ENTRY,     /* a record of the journal of the daemon that commands this site */
    EVENT_TIP,       /* ... and where that journal is */
    EVENT_REQUEST,   /* a person or a program asks for something */
    EVENT_UNSENT,    /* a command that certainly never left */
    EVENT_JOURNAL,   /* the journal can, or can no longer, be written */
    EVENT_ZONES,     /* a tank's zone offset changed (daylight saving) */
};

struct event_reading {
    uint32_t tank;
    enum probe_quantity quantity;
    bool retained;
    enum probe_verdict verdict; /* of the payload: PROBE_OK, or why it holds no number */
    double number;              /* in the config's unit */
};

/* Who asks. 'by' goes into the journal as it is: "socket", "mqtt". The texts live as long as the
 * event. */
struct event_origin {
    const char *by;
    bool retained;      /* arrived with the flag; only stopping is acted on then */
    const char *signer; /* whose key the request was signed with, one of site->signer, the shell has
                           verified it; NULL: nobody's */
    int64_t n;          /* what it counts as with that key, > 0 */
    const char *reply;  /* the topic that its sender wants answers on: foreign text; NULL or "" */
};

enum request_kind {
    REQUEST_HALT,         /* 'on' true: stop everything and latch; false: end the latch */
    REQUEST_PAUSE,        /* 'tank'; 'on'; 'word': what for, "" from a person */
    REQUEST_SERVICE,      /* 'tank'; 'on': hands in the tank, nothing moves */
    REQUEST_SET_EC,       /* 'tank'; 'value' in uS/cm: makes an override */
    REQUEST_SET_PH,       /* 'tank'; 'value' */
    REQUEST_OVERRIDE_FOR, /* 'tank'; 'span_ms': of the next override; 0 ends the running one */
    REQUEST_ACKNOWLEDGE,  /* 'word': the alert */
    REQUEST_CLAIM,        /* 'chain': take over from whoever commands it */
    REQUEST_REFILLED,     /* 'stock', 'ul': the bottle now holds that much */
    REQUEST_IDENTIFY,     /* 'address' */
    REQUEST_ADOPT,        /* 'chain': the modules as they answer now; 'on' false: only say what that
                             would be */
    REQUEST_BENCH,        /* 'tank'; 'on': tubes or probes are out, nothing moves by itself */
    REQUEST_CANCEL,       /* 'tank': what was asked for there and is under way */
    REQUEST_DOSE,         /* 'tank', 'stock', 'ul' */
    REQUEST_PRIME,        /* 'tank', 'stock', 'ul', 'cup' */
    REQUEST_CIRCULATE,    /* 'tank', 'span_ms' */
    REQUEST_CALIBRATE_PUMP,   /* 'tank', 'stock', 'ul', 'cup': runs it */
    REQUEST_MEASURED,         /* 'tank', 'stock', 'ul': what that run gave */
    REQUEST_CALIBRATE_FLOW,   /* 'tank', 'span_ms': runs its circulation */
    REQUEST_FLOW_MEASURED,    /* 'tank', 'ul': what came in that run; 'span_ms' of it, 0: all */
    REQUEST_CALIBRATE_PROBE,  /* 'tank', 'quantity', 'word': the bath, 'degc' (NaN: as the tank's
                                 probe says) */
    REQUEST_TUBE_CHANGED,     /* 'tank', 'stock': the tube in that pump's head */
    REQUEST_STRAINER_CLEANED, /* 'tank': the circulation's inlet strainer */
    REQUEST_WATER_CHANGED,    /* 'tank', 'ul' of new water; 0: all of it */
    REQUEST_JOURNAL,          /* 'from', 'to': show these records again */
    REQUEST_UNREAD,           /* 'refusal': one that couldn't be read, or can't be done here */
    REQUEST_COUNT,
};

/* Why the shell has refused a request already; the texts live as long as the event. */
struct event_refusal {
    const char *reason; /* one word; NULL: it hasn't */
    const char *text;
};

struct event_request {
    enum request_kind kind;
    struct event_origin origin;
    char id[CHAIN_WORD_MAX]; /* who asks twice with the same is answered twice; "": none */
    struct event_refusal refusal;
    uint64_t ticket; /* given back with the answer; 0: nobody waits for one */
    uint32_t tank, chain, stock;
    struct chain_address address;
    enum probe_quantity quantity;
    bool on, cup;
    double value, degc;
    int64_t span_ms, ul;
    int64_t from, to; /* seq of records, ends included */
    char word[ALERT_ID_MAX];
};

/* A record that fits its own hash. It lives as long as the event. */
struct event_entry {
    const struct record *record;
    struct link_tip before, place; /* where its journal was before it, and is with it */
};

struct event {
    enum event_kind kind;
    uint32_t chain; /* HEAD, ROLL, BEAT, CLAIM, REPORT, LEDGER, MANUAL, BOARD, UNSENT */
    union {
        bool link_up;
        struct event_reading reading;
        bool head_ready; /* $state is "ready" */
        struct chain_roll roll;
        struct chain_beat beat;
        struct chain_claim claim;
        struct chain_report report;
        struct chain_ledger ledger;
        struct chain_manual manual;
        struct {
            uint32_t position;
            enum plain_finding finding;
        } board;
        struct {
            char by[CHAIN_WORD_MAX];
            bool same_site; /* else of another site, which may own a chain all the same */
        } peer;
        struct event_entry entry;
        struct link_tip tip;
        struct event_request request;
        char unsent[CHAIN_WORD_MAX]; /* the command's id */
        struct {
            bool ok;
            char why[128];
        } journal;
        struct {
            uint32_t tank;
            int64_t offset_ms;
        } zone;
    };
};

#endif
