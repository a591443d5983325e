/*
 * Batches that were read and are not stored yet: gathered for a moment, then stored together in the database,
 * or in the spool. While the database stores some, the next are gathered.
 *
 * What the database does not take because it is away goes to the spool and is acknowledged. While anything
 * lies in the spool, all that is new goes to its end. Without a spool it is dropped: the cursor has not
 * moved, and the source still holds it. What neither of them takes stays here.
 */
#ifndef COLLECTOR_PENDING_H
#define COLLECTOR_PENDING_H

#include "drain.h"
#include "totals.h"

/* Batches that are stored together. */
struct gathered {
    struct arena *mem; /* of the batches */
    struct batch *batches;
    struct station **owners; /* of each batch */
    size_t count, readings;
};

struct pending {
    struct gathered next, first; /* first: those before the next ones, being stored or stuck */
    struct load load;
    bool is_storing;    /* the first ones are under way to the database */
    int64_t began_ms;   /* since when */
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

/* Where the next batch is to be written, and the memory for what it points to. */
struct batch *pending_next(const struct pending *p);
struct arena *pending_mem(const struct pending *p);
/* The next batch is there. */
void pending_add(struct pending *p, struct station *owner, int64_t now_ms);
/* Batches that are neither stored nor spooled. */
size_t pending_count(const struct pending *p);

/* Enough was gathered, or long enough. */
bool pending_is_due(const struct pending *p, int64_t now_ms);
/* Begins to store what waits, or spools it. Nothing is under way. db NULL: it is away, and there is a spool.
 */
void pending_store(struct pending *p, struct db *db);
/* Nothing else may be asked of the database meanwhile. */
bool pending_is_storing(const struct pending *p);
/* To be called now and then while it stores. True: pending_settle need not wait, or no more can be gathered.
 */
bool pending_is_over(const struct pending *p);
/* Waits until nothing is under way. *back is there until pending_tidy. False: the database cannot be used
 * now. */
MUST_USE bool pending_settle(struct pending *p, struct sent_back *back, struct err *err);
/* Gives the memory back of what waits no more. */
void pending_tidy(struct pending *p);
void pending_drop(struct pending *p);

#endif
