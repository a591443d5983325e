/*
 * Batches that were read and are not stored yet: gathered for a moment, then stored together in the database,
 * or in the spool.
 *
 * What the database does not take because it is away goes to the spool and is acknowledged. While anything
 * lies in the spool, all that is new goes to its end. Without a spool it is dropped: the cursor has not
 * moved, and the source still holds it. What neither of them takes stays here.
 */
#ifndef COLLECTOR_PENDING_H
#define COLLECTOR_PENDING_H

#include "drain.h"
#include "totals.h"

struct pending {
    struct arena *mem; /* of what waits */
    struct batch *batches;
    struct station **owners; /* of each batch */
    size_t count, readings;
    int64_t due_ms;     /* while something waits */
    struct drain drain; /* with the spool; NULL: none */
    bool stuck;         /* neither the database nor the spool takes what waits: nothing more may be asked */
    struct totals *totals;
};

/* Sources whose batches were not stored; they stand again where they are stored. */
struct sent_back {
    struct station **stations;
    size_t count;
};

/* Room for what waits for the database and 'under_way' answers on top. The totals stay the caller's. */
void pending_init(struct pending *p, size_t under_way, struct totals *totals);
void pending_release(struct pending *p);

/* Where the next batch is to be written. */
struct batch *pending_next(const struct pending *p);
/* The next batch is there. */
void pending_add(struct pending *p, struct station *owner, int64_t now_ms);
/* Enough waits, or long enough. */
bool pending_must_flush(const struct pending *p, int64_t now_ms);

/* Stores or spools what waits. db NULL: it is away, and there is a spool. *back is in p->mem. False: the
 * database cannot be used now. */
MUST_USE bool pending_flush(struct pending *p, struct db *db, struct sent_back *back, struct err *err);
/* Gives the memory back when nothing waits. */
void pending_tidy(struct pending *p);
void pending_drop(struct pending *p);

#endif
