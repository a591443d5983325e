/*
 * Partitions of readings: made before they are needed, dropped when they are empty or old.
 */
#ifndef COLLECTOR_SEAL_PARTITIONS_H
#define COLLECTOR_SEAL_PARTITIONS_H

#include "columns.h"
#include "db.h"

/* For how many days readings and summaries are kept; 0: for ever. */
struct seal_keep {
    int64_t raw_days, summary_days;
};

/* A transaction that no other sealer shares; *taken is false, and there is none, when one is at work. */
MUST_USE bool seal_begin_alone(struct db *db, bool *taken, struct err *err);
/* Those that blocks with these keys (fan, start) need. */
MUST_USE bool seal_partitions_make(struct db *db, const struct columns *keys, bool days, bool *taken,
                                   struct err *err);
/* Those of today and tomorrow. */
MUST_USE bool seal_partitions_make_ahead(struct db *db, int64_t now_us, struct err *err);
/* Hour blocks of closed days have become day blocks: their partitions are empty. */
MUST_USE bool seal_partitions_drop_empty(struct db *db, int64_t now_us, struct err *err);
/* Drops what is older than is to be kept, after everything due was sealed: days that still have hour blocks
 * stay. A partition that is being read stays for another time. */
MUST_USE bool seal_retain(struct db *db, int64_t now_us, const struct seal_keep *keep, int64_t *dropped,
                          struct err *err);

#endif
