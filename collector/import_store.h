/*
 * The rows of one file on their way into the database, within the caller's transaction; a piece at a time.
 */
#ifndef COLLECTOR_IMPORT_STORE_H
#define COLLECTOR_IMPORT_STORE_H

#include "db.h"
#include "import_rows.h"

struct import_store;

/* received_us is the moment at which all of it counts as received. */
struct import_store *import_store_new(struct db *db, const char *sha256, int64_t received_us);
void import_store_free(struct import_store *s);

MUST_USE bool import_store_row(struct import_store *s, enum import_kind kind, const struct import_row *row,
                               int line, struct err *err);
/* The rest of the rows, and the record of the file for each of its sites. */
MUST_USE bool import_store_end(struct import_store *s, const char *path, struct err *err);

#endif
