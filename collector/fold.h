/*
 * Conditions into episodes: what was known of each drive's fan faults at which time.
 *
 * The versions of a drive's episodes follow from its conditions alone, whenever and however often they are
 * worked out: at each moment of receipt the episodes are made from what had been received until then, and a
 * version lasts until one that differs. So folding after each poll, after a late delivery, or everything
 * anew gives the same rows.
 */
#ifndef COLLECTOR_FOLD_H
#define COLLECTOR_FOLD_H

#include "outbox.h"

/*
 * Drives with conditions that no episode takes into account yet; *drives counts them. What is new of their
 * episodes is written to the outbox for these channels (NULL: for none) in the same transaction.
 */
MUST_USE bool fold_new(struct db *db, const struct outbox_channels *alerts, int64_t *drives, struct err *err);
/* All drives from the first condition on: needed when the code map has changed. */
MUST_USE bool fold_all(struct db *db, int64_t *drives, struct err *err);

#endif
