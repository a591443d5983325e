/*
 * Packs of a kind: what is worked out for them, and writing them.
 */
#ifndef REPORTER_COMMANDS_PACKS_H
#define REPORTER_COMMANDS_PACKS_H

#include "fleet_forecasts.h"
#include "pack.h"

struct packs_wanted {
    const char *kind, *dir, *site; /* site NULL: all */
    double service;
    const struct assessment *assessment;
    const struct issued_record *issued;
};
/* 'paths' has room for as many as there are sites, and one more. What could not be written is said on
 * standard error and counted. */
size_t packs_write(const struct packs_wanted *w, struct arena *mem, const char **paths, size_t *failed,
                   struct err *err);

/* How the forecasts did that were issued and are due. */
MUST_USE bool packs_issued(struct db *db, const struct fleet *fleet, struct arena *mem,
                           struct issued_record *out, struct err *err);
/* A pack of a moment long past is a question, not a forecast: only those of the last day are kept. */
MUST_USE bool packs_keep_forecasts(const char *conninfo, const struct assessment *a, struct err *err);

#endif
