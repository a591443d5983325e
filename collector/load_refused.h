/*
 * Rows that the database refuses: found by halving, set aside with the reason, the rest stored. Used by load
 * alone.
 *
 * A refused part is taken back to a mark inside the transaction and tried again in two halves; where the
 * first half is good the second is known to be bad. So each bad row costs at most log2(n) refusals beyond the
 * first.
 */
#ifndef COLLECTOR_LOAD_REFUSED_H
#define COLLECTOR_LOAD_REFUSED_H

#include "load.h"

/* The refusal is about a row's content (SQLSTATE classes 22 and 23). */
bool load_is_about_content(const struct err *err);
/*
 * Stores the rows and readings of batches of one source, in the caller's transaction, but for those refused.
 * False: something else than content stood in the way.
 */
MUST_USE bool load_sifted(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                          struct refused_rows *refused, struct err *err);

#endif
