/*
 * Batches into the database: journal, conditions, events, gaps and the cursors that they move, in one
 * transaction.
 *
 * A cursor that is not where its batch expects it stops the transaction as a whole, so nothing is ever stored
 * twice: not after a crash, a lost answer to COMMIT, or by a second collector.
 */
#ifndef COLLECTOR_LOAD_H
#define COLLECTOR_LOAD_H

#include "batch.h"
#include "db.h"

enum load_fate {
    LOAD_STORED,
    LOAD_STALE,   /* the source's cursor stands elsewhere: read it again */
    LOAD_REFUSED, /* the database refuses the whole: trying again would fail for ever */
};

/* Rows that the database refused for their content, each set aside with the reason instead. */
struct refused_rows {
    size_t readings, conditions, events, gaps;
    size_t set_aside; /* that were to be set aside anyway */
};

struct load_result {
    enum load_fate fate;
    const char *why;             /* LOAD_REFUSED */
    struct refused_rows refused; /* LOAD_STORED: of all batches of the source; told at its first */
};

/*
 * Stores batches; those of one source stand in the order in which they were read. When all together cannot
 * be stored, each source is tried for itself, without those of its rows that the database refuses, and
 * results[k] says what became of batches[k]. False: the database cannot be used now, and nothing more was
 * stored than the results say.
 */
MUST_USE bool load_batches(struct db *db, const struct batch *batches, size_t count, struct arena *mem,
                           struct load_result *results, struct err *err);

struct load {
    struct db *db;
    const struct batch *batches;
    size_t count;
    struct arena *mem;
    bool is_sent;   /* all together, in one transaction that has not been heard of */
    struct err why; /* they were not sent */
};
/* The same in two parts, so that other work can be done while the database stores: load_send begins, and
 * load_end waits and tells what became of the batches. Nothing else may be asked of db in between, but
 * load_is_over, now and then. */
void load_send(struct load *l, struct db *db, const struct batch *batches, size_t count, struct arena *mem);
bool load_is_over(const struct load *l); /* never waits; what the database does not take at once is sent */
MUST_USE bool load_end(struct load *l, struct load_result *results, struct err *err);

#endif
