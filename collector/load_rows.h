/*
 * The plain rows of batches, by kind, and the statements that store them. Used by load alone.
 */
#ifndef COLLECTOR_LOAD_ROWS_H
#define COLLECTOR_LOAD_ROWS_H

#include "batch.h"
#include "db.h"

enum row_kind { ROW_CONDITION, ROW_EVENT, ROW_GAP, ROW_SET_ASIDE, ROW_KINDS };

/* One row of a batch. */
struct row {
    const struct batch *batch;
    size_t at;
};

static inline struct db_value load_sequence(uint64_t sequence)
{
    return sequence ? db_int((int64_t)sequence) : db_null();
}

/* All rows of a kind, in the order of the batches. */
struct row *load_rows_of(enum row_kind kind, const struct batch *const *batches, size_t count,
                         struct arena *mem, size_t *rows);
/* In one statement; none at all is fine. */
MUST_USE bool load_rows_store(struct db *db, enum row_kind kind, const struct row *rows, size_t count,
                              struct arena *mem, struct err *err);
/* What is kept of a row that the database refuses. */
struct set_aside_row load_row_set_aside(enum row_kind kind, const struct row *row, const char *why,
                                        struct arena *mem);

#endif
