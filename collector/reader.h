/*
 * Reads the sources: asks each when it is due, decodes what comes, and stores it together with what other
 * sources brought in the same second.
 *
 * What cannot be stored because the database is away goes to the spool and is acknowledged: reading goes on.
 * While anything lies in the spool, all that is new goes to its end. Without a spool it is dropped: the
 * cursor has not moved, and the source still holds it.
 */
#ifndef COLLECTOR_READER_H
#define COLLECTOR_READER_H

#include "db.h"
#include "histogram.h"
#include "spool.h"
#include "station.h"

enum reader_mode {
    READ_FOR_EVER,
    READ_ONCE,       /* one complete answer of each source */
    READ_TO_THE_END, /* until each source holds nothing more */
};

/* What was stored in this run, and what was not. */
struct reader_totals {
    int64_t observations, readings, conditions, events, gaps, set_aside;
    int64_t polls, failures[FAILURE_KINDS], stale_batches;
    struct histogram commits;
    int64_t last_success_us; /* TIME_UNKNOWN: nothing was stored yet */
};

struct reader;

MUST_USE bool reader_new(struct reader **r, enum reader_mode mode, size_t in_flight, struct err *err);
void reader_free(struct reader *r); /* NULL is fine */

/* From now on what the database cannot take is spooled; before the first register. The spool stays the
 * caller's. */
void reader_use_spool(struct reader *r, struct spool *spool);
/* Stores a share of the spool. False: the database cannot be used now. */
MUST_USE bool reader_drain(struct reader *r, struct db *db, struct err *err);

/* Reads the register, and the cursors of sources that are new or whose position was lost. */
MUST_USE bool reader_register(struct reader *r, struct db *db, struct err *err);
/* Asks, takes and stores for up to wait_ms. db NULL: it is away, and there is a spool. False: the database
 * cannot be used now. */
MUST_USE bool reader_turn(struct reader *r, struct db *db, int64_t wait_ms, struct err *err);
/* Stores or spools what is waiting; db as for reader_turn. */
MUST_USE bool reader_flush(struct reader *r, struct db *db, struct err *err);
/* Drops what is waiting; reader_register must find the positions again. */
void reader_lose(struct reader *r);

/* Nothing is left to do (never, when reading for ever). */
bool reader_is_done(const struct reader *r);
/* Conditions were stored since the last call. */
bool reader_has_conditions(struct reader *r);
/* Batches that are neither stored nor spooled. */
size_t reader_waiting(const struct reader *r);

const struct reader_totals *reader_totals(const struct reader *r);
size_t reader_sources(const struct reader *r);
size_t reader_sources_read(const struct reader *r);
size_t reader_sources_failing(const struct reader *r);
/* Calls back for each source that could not be read, in order of their keys. */
void reader_failures(const struct reader *r, void (*tell)(void *context, const char *source, const char *why),
                     void *context);

#endif
