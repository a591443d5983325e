/*
 * What the database is told of the sources besides what they report: failures, ends of certificates, and what
 * their models say of the items that are bound.
 */
#ifndef COLLECTOR_SOURCE_NOTES_H
#define COLLECTOR_SOURCE_NOTES_H

#include "db.h"
#include "roster.h"

/* What waits to be told. */
struct source_notes {
    bool failures, certificates, checks;
};

/* False: the database cannot be used now. */
MUST_USE bool source_notes_store(struct source_notes *n, const struct roster *roster, struct db *db,
                                 struct arena *mem, struct err *err);

#endif
