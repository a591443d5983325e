/*
 * What a run does in the database besides storing: it works out episodes, and seals hours that are closed and
 * drops what is old.
 */
#ifndef COLLECTOR_UPKEEP_H
#define COLLECTOR_UPKEEP_H

#include "db.h"
#include "outbox.h"
#include "seal_partitions.h"

struct upkeep {
    int64_t fold_due_ms;
};

bool upkeep_fold_is_due(const struct upkeep *u);
/* Episodes of the conditions that are new, with alerts for these channels (NULL: none). */
MUST_USE bool upkeep_fold(struct upkeep *u, struct db *db, const struct outbox_channels *alerts,
                          struct err *err);

/* When an hour or a day is closed next. */
int64_t upkeep_seal_due(int64_t now_us);
/* Step by step; 'alive' is called after each. Then what is older than is to be kept is dropped. *again:
 * another process seals, or something was in use, so not all was done. */
MUST_USE bool upkeep_seal(struct db *db, const struct seal_keep *keep, void (*alive)(void *context),
                          void *context, bool *again, struct err *err);

#endif
