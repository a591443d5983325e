/*
 * Readings into the journal: the first place where they lie in the database.
 */
#ifndef COLLECTOR_JOURNAL_H
#define COLLECTOR_JOURNAL_H

#include "block.h"
#include "db.h"

/* Rows of any number of sites, to be stored by one statement. */
struct journal_rows;

struct journal_rows *journal_rows_new(struct arena *mem);
/*
 * Packs readings of one site into rows. Each holds those of a range of fans, a fan's in the order in which
 * they stand here. Readings of closed UTC hours and of the hour that 'now' lies in (or of later ones) never
 * share a row, so that the sealer can take all that is closed. None at all is fine.
 */
void journal_rows_add(struct journal_rows *rows, const char *site, int64_t received_us, int64_t now_us,
                      const struct reading *readings, size_t count);
/* Appends them, in the caller's transaction. */
MUST_USE bool journal_rows_store(const struct journal_rows *rows, struct db *db, struct err *err);

/* Appends readings of one site. */
MUST_USE bool journal_write(struct db *db, const char *site, int64_t received_us, int64_t now_us,
                            const struct reading *readings, size_t count, struct arena *mem, struct err *err);

#endif
