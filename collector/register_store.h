/*
 * A load of the register and the database: what is there already, and storing what was found good.
 */
#ifndef COLLECTOR_REGISTER_STORE_H
#define COLLECTOR_REGISTER_STORE_H

#include "db.h"
#include "register.h"

struct register_outcome {
    int64_t added, changed, same; /* rows of one file */
};

/* Reads the things of some kinds, beyond those that the load itself needs. */
MUST_USE bool register_read_things(struct register_load *r, struct db *db, const enum register_kind *kinds,
                                   size_t count, struct err *err);

/*
 * Reads what is known, checks, and stores in one transaction: all or, when there is any issue, nothing. True
 * also with issues: they stand in the load. outcomes: one a file of the load.
 */
MUST_USE bool register_load_store(struct register_load *r, struct db *db, struct register_outcome **outcomes,
                                  struct err *err);

#endif
