/*
 * The rows of a site in the closed part of the journal, unpacked. Those that are damaged are set aside, and
 * those of hours that are not closed go to the open part as they are.
 */
#ifndef COLLECTOR_SEAL_ROWS_H
#define COLLECTOR_SEAL_ROWS_H

#include "columns.h"
#include "db.h"
#include "pile.h"

/* Which readings are to be sealed: those before closed_us, and all that were received before latest_us. */
struct seal_due {
    int64_t closed_us, latest_us;
};

/* The readings of a row; they hold until it returns. */
typedef void seal_row_fn(void *context, const struct origin *from, const struct reading *readings,
                         size_t count);

struct seal_rows {
    struct db *db;
    const char *site;
    int part;
    struct seal_due due;
    bool is_untouched; /* nothing of the site is sealed yet, so that whole rows may go to the open part */
    seal_row_fn *on_row;
    void *context;

    int64_t unpacked;  /* readings so far */
    int64_t after_no;  /* the last row that was read, */
    char after_at[32]; /* and where it lies */
    size_t chunk;
    struct arena *row_mem, *found_mem;
    struct columns *moving, *damaged; /* found since they were settled; NULL: none */
};

void seal_rows_begin(struct seal_rows *r);
void seal_rows_end(struct seal_rows *r);
/* Some of them; *more is false when they were the last. */
MUST_USE bool seal_rows_read(struct seal_rows *r, bool *more, struct err *err);
/* In the caller's transaction: moves and sets aside what was found since the last time. */
MUST_USE bool seal_rows_settle(struct seal_rows *r, struct err *err);
/* Whether a reading is to be sealed now. */
bool seal_rows_due(const struct seal_due *due, int64_t at_us, int64_t received_us);

#endif
