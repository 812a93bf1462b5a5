/* Crash points of the journal on a simulated disk: scripted lives of a daemon, each stopped at each
 * of its calls to the disk, killed or without power, then opened again by the real code and judged.
 *
 * What a life writes are the records of a real core that dosed two tanks of simulated water and was
 * restarted now and then (simulation/world.h); what is dosed in it counts as moved as soon as its
 * record was said to be on disk. */
#ifndef DOSEWRIGHT_TESTS_POINTS_H
#define DOSEWRIGHT_TESTS_POINTS_H

#include "daemon/journal/journal_file.h"
#include "tests/simulation/disk/disk.h"
#include "tests/simulation/world.h"

enum { SOURCE_MOST = 160, TAKEN_MOST = 256 };

/* Each call is tried; with sanitizers, which take several times as long, each so many. */
#if defined(__SANITIZE_ADDRESS__)
enum { POINTS_STEP = 7 };
#else
enum { POINTS_STEP = 1 };
#endif

struct source { /* what lives write */
    struct world *world;
    int count;
    int pump[SOURCE_MOST];   /* of a dose: tank * WORLD_PUMPS + pump; else -1 */
    int64_t ul[SOURCE_MOST]; /* of a dose: what its pump moved in the end */
    int dose[SOURCE_MOST];   /* of an outcome: which record it is of; else -1 */
};
void source_make(struct source *ret);
void source_free(struct source *s);

/* How the disk was when the life began. */
enum beginning {
    BEGIN_EMPTY,
    BEGIN_STOPPED,    /* the records before 'from' are there, in good order */
    BEGIN_KILLED,     /* some of them were never synced */
    BEGIN_CUT,        /* ... and the power went */
    BEGIN_TORN,       /* half a record at the end */
    BEGIN_ROTTEN,     /* a bit has changed in the middle */
    BEGIN_ROTTEN_END, /* ... in the last record */
    BEGIN_DAYS,       /* over several days, the oldest is to be removed */
};

struct script {
    const char *name;
    enum beginning begin;
    int from, to;         /* records of the source */
    int sync_every;       /* the thread works after so many records */
    int day_at;           /* the next day begins before this record; 0: never */
    int hold_at, let_at;  /* syncs are held in between */
    int full_at, room_at; /* there is hardly any room in between */
    bool full_again;      /* nor when the reserve was given up */
    enum disk_call fails; /* at 'fail_at', once */
    int fail_at, error;
};
extern const struct script points_script[];
extern const int points_scripts;

/* A life, and what is known of it from outside. */
struct life {
    const struct script *script;
    const struct source *source;
    struct disk *disk;
    struct journal *journal;
    struct now now;
    int taken; /* records that the journal took, in this life */
    struct {
        int record;
        int64_t seq;
        bool may_move; /* it is a dose, and wasn't taken in distress */
    } item[TAKEN_MOST];
    int64_t synced; /* said to be on disk */
    const char *boot;
    bool opened, failed;
    bool damaged; /* it found damage, as its disk had some from the beginning */
    int64_t keep_days;
    char torn_in[64], *torn; /* the file with the torn end at the beginning, and that end */
    size_t torn_bytes;
};

/* The life as the script begins: its disk and 'torn' (the caller's to free), what is on it, the
 * clock. */
void life_begin(struct life *ret, const struct script *script, const struct source *source);

/* All of it, or up to where its disk stops it. */
void life_run(void *life);

/* --- judging ---------------------------------------------------------------------------------- */

struct verdict {
    bool torn, damaged;
    char what[240]; /* "" when all is well */
};

/* Opens what was left, with the real code and a real core, and looks at all of it. 'left' stays. */
void points_judge(
    const struct life *life, const struct disk *left, bool power_cut, struct verdict *ret);

#endif
