/* What the core wants done, in this order. The only door out. */
#ifndef DOSEWRIGHT_CORE_ACTION_H
#define DOSEWRIGHT_CORE_ACTION_H

#include "lib/chain/message.h"
#include "lib/journal/record.h"

enum {
    ACTIONS_MAX = 160, /* one step asks for no more: resuming every chain takes two each */
    ACTION_TEXT_MAX = 320,
    ACTION_ANSWER_MAX = 1024,
};

enum action_kind {
    ACTION_RECORD,   /* append this to the journal */
    ACTION_SEND,     /* send this command, once every record before it is on disk */
    ACTION_STOP,     /* send this stop or halt at once: it waits for nothing */
    ACTION_CLAIM,    /* publish this claim, once every record before it is on disk */
    ACTION_ACTIVATE, /* reconnect as the site's device, with its last will */
    ACTION_STAND_BY, /* reconnect as one that stands by: the site's device is another's now */
    ACTION_REBIND,   /* rearrange the chain by core_adopted(), then call core_rebound() */
    ACTION_AMEND,    /* put what was found into the configuration: core_amend(), core_amended() */
    ACTION_ANSWER,   /* to a request */
    ACTION_REPLAY,   /* show the records from 'from' to 'to' again, as far as the disk has them */
    ACTION_ASK,      /* the daemon that commands to show its records from 'from' to 'to' again */
    ACTION_LOG,      /* one line for the operator's log */
};

enum log_level { LOG_FAILED = 3, LOG_WARNED = 4, LOG_NOTED = 5, LOG_TOLD = 6 };

struct action {
    enum action_kind kind;
    uint32_t chain; /* SEND, STOP, CLAIM, REBIND */
    uint32_t tank;  /* AMEND */
    union {
        struct record record;
        struct chain_command command;
        struct chain_claim claim;
        struct {
            uint64_t ticket;
            bool ok;
            char reason[CHAIN_WORD_MAX]; /* one word: "out-of-envelope" */
            char text[ACTION_ANSWER_MAX];
        } answer;
        struct {
            int64_t from, to;
        } replay;
        struct {
            enum log_level level;
            char text[ACTION_TEXT_MAX];
        } log;
    };
};

struct actions {
    uint32_t count;
    struct action item[ACTIONS_MAX];
};

#endif
