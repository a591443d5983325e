/*
 * Reads the sources: asks each when it is due, decodes what comes, and has it stored together with what other
 * sources brought in the same second (pending.h).
 */
#ifndef COLLECTOR_READER_H
#define COLLECTOR_READER_H

#include "db.h"
#include "register_copy.h"
#include "roster.h"
#include "spool.h"
#include "totals.h"

enum reader_mode {
    READ_FOR_EVER,
    READ_ONCE,       /* one complete answer of each source */
    READ_TO_THE_END, /* until each source holds nothing more */
};

struct reader;

/* Asks at most in_flight sources at a time. */
struct reader *reader_new(enum reader_mode mode, size_t in_flight);
void reader_free(struct reader *r); /* NULL is fine */

/* From now on what the database cannot take is spooled, and a copy of each register is kept; before the first
 * register. Both stay the caller's; NULL: none. */
void reader_use_spool(struct reader *r, struct spool *spool, struct register_copy *copy);
/* Stores a share of the spool. False: the database cannot be used now (ERR_SYSTEM, ERR_OUTPUT: the spool). */
MUST_USE bool reader_drain(struct reader *r, struct db *db, struct err *err);

/* Reads the register if it was changed, and the cursors of sources that are new or whose position was lost:
 * at first all at once, later a part with each call. */
MUST_USE bool reader_register(struct reader *r, struct db *db, struct err *err);
/* A part of the register was read, and more is to come. */
bool reader_is_at_register(const struct reader *r);
/* The register is read again although it was not changed. */
void reader_forget_version(struct reader *r);
/* At the start, while the database is away: takes the register from its copy. ERR_INPUT: there is none that
 * can be used. */
MUST_USE bool reader_register_from_copy(struct reader *r, struct err *err);
/* Asks, takes and stores for up to at_most_ms, and then until nothing is under way to the database. db NULL:
 * it is away, and there is a spool. False: the database cannot be used now. */
MUST_USE bool reader_turn(struct reader *r, struct db *db, int64_t at_most_ms, struct err *err);
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

const struct totals *reader_totals(const struct reader *r);
const struct roster *reader_roster(const struct reader *r);

#endif
