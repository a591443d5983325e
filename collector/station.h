/*
 * One source in a running collector: where its reading stands, the answer under way, its failures.
 */
#ifndef COLLECTOR_STATION_H
#define COLLECTOR_STATION_H

#include "fetch.h"
#include "health_source.h"
#include "intake.h"

enum { STATION_LIVES = 8, STATION_WHY = 300, STATION_MODEL = POLL_INSTANCE_TEXT + 64 };

/* Why a poll brought nothing. */
enum failure_kind {
    FAILURE_NO_ANSWER,
    FAILURE_REFUSED, /* by us: an address, a credential or a certificate file that must not be used */
    FAILURE_TOO_LARGE,
    FAILURE_UNREADABLE, /* not a document of its format */
    FAILURE_UNFIT,      /* a document, but not an answer to what was asked */
    FAILURE_NOT_STORED,
    FAILURE_KINDS
};
extern const char *const failure_words[FAILURE_KINDS]; /* "no_answer" ... */

/* That a source waits and asks in (lanes.h). */
enum lane { LANE_SOUND, LANE_DOUBTFUL, LANES };

struct station {
    char *key;                   /* of the source */
    const struct source *source; /* in the newest register */
    struct poll poll;
    /* Instances that it left since it stands here; what the register tells of is older. */
    struct lives lives;
    char (*life_names)[POLL_LIFE_TEXT]; /* room for STATION_LIVES; NULL: it left none */
    struct arena *mem;                  /* documents of the answer under way; NULL: none */
    bool in_flight;
    enum lane lane;
    struct lanes_site *site;        /* in its lane; NULL: never was in one */
    struct station *before, *after; /* in its lane */
    int64_t asked_ms;
    bool discard;  /* what is under way belongs to a position that is no longer ours */
    bool is_new;   /* since the newest register */
    bool gone;     /* no longer in the register */
    bool finished; /* nothing more to do in this run */
    bool has_read;
    int failures;          /* in a row */
    char why[STATION_WHY]; /* the last failure */
    enum failure_kind failure;
    int64_t failed_us;
    bool failure_is_new; /* not yet noted in the database */
    int64_t certificate_end_us;
    bool certificate_is_new; /* not yet noted in the database */

    /* For health: of the newest answer, and since the start. */
    int64_t last_sequence, clock_offset_us; /* TIME_UNKNOWN: none yet */
    int64_t gaps, set_aside;
    struct refusals *refusals; /* NULL: none */

    /* Bound items are compared with the source's model when it may have changed (MTConnect only). */
    char model[STATION_MODEL]; /* which model they were last compared with; "": none */
    size_t unseen;             /* items of which it said nothing */
    bool probing;              /* the request under way is for the model */
    bool any_type;             /* it refuses the types of answer that we like best */
    struct arena *checks;      /* texts of what it said */
    bool checks_are_new;       /* not yet noted in the database */

    /* Oddities of clocks that were told, so that each is told once. */
    bool clock_is_off, stamps_are_ahead, zones_are_missing;
};

struct station *station_new(const struct source *s);
void station_free(struct station *st);
/* The source as a newer register has it. */
void station_register(struct station *st, const struct source *s);

/* Stands at a stored position. */
void station_stand(struct station *st, const struct cursor *at);
/* Sends the next request. */
void station_ask(struct station *st, struct fetch *f);

/*
 * Takes what came. POLL_COMPLETE: *batch, in mem, is what is to be stored, and *more says whether the
 * source holds more; POLL_FAILED: st->why says why.
 */
enum poll_outcome station_take(struct station *st, const struct fetched *came, int64_t now_us,
                               struct arena *mem, struct batch *batch, bool *more);

/* Counts a failure; logs the first of a row. */
void station_failed(struct station *st, enum failure_kind kind, const char *why, int64_t now_us);
/* What is known of its reading, with texts of its own. */
struct source_health station_health(const struct station *st);
/* Notes that an answer was stored; logs the end of a row of failures. */
void station_answered(struct station *st);

#endif
