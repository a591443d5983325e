/*
 * What lies in the spool into the database: state changes first, the newest of them first, without moving
 * cursors; then all batches in order, each as the step of its source's cursor (chain.h).
 *
 * State changes have keys of their own and are stored once however often they come; readings have none and
 * come only with the step of the cursor. So the first part may be stopped, repeated and overtaken at will.
 */
#ifndef COLLECTOR_DRAIN_H
#define COLLECTOR_DRAIN_H

#include "load.h"
#include "spool.h"

struct drain {
    struct spool *spool;
    uint64_t states_from, states_to; /* numbers of batches whose state changes are stored; 0: none yet */
    bool has_states;                 /* all of them down to the oldest */
    int stale_turns;                 /* in a row */
};

/* Called for each batch that was stored with its step, but for the rows that were refused. */
typedef void drain_stored_fn(void *context, const struct batch *b, const struct refused_rows *refused);

/* Stores a share of what waits: less than a second's work. *states: state changes were stored. False: the
 * database (or the spool) cannot be used now. */
MUST_USE bool drain_turn(struct drain *d, struct db *db, drain_stored_fn *stored, void *context, bool *states,
                         struct err *err);

#endif
