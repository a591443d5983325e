/*
 * Readings into the journal: the first place where they lie in the database.
 */
#ifndef COLLECTOR_JOURNAL_H
#define COLLECTOR_JOURNAL_H

#include "block.h"
#include "db.h"

/*
 * Appends readings of one site, in the caller's transaction, as rows of at most 10,000. Readings of closed
 * UTC hours and of the hour that 'now' lies in (or of later ones) never share a row, so that the sealer can
 * take all that is closed. Within each the order stays. None at all is fine.
 */
MUST_USE bool journal_write(struct db *db, const char *site, int64_t received_us, int64_t now_us,
                            const struct reading *readings, size_t count, struct arena *mem, struct err *err);

#endif
