/*
 * The connection of a running collector to its database: opened at the primary only, lost and found again.
 */
#ifndef COLLECTOR_CONNECTION_H
#define COLLECTOR_CONNECTION_H

#include "primary.h"

struct connection {
    struct db *db; /* NULL: the database is away */
    struct primary primary;
    bool is_cut; /* when the run is asked to stop and the database hangs (signals_cut) */
    int64_t away_since_ms, back_since_ms, retry_due_ms, retry_wait_ms, tell_due_ms;
};

MUST_USE bool connection_open(struct connection *c, struct err *err);
void connection_close(struct connection *c);

/* The database is away, and 'why': closes what there is. */
void connection_lost(struct connection *c, const struct err *why);
/* Tries again when it is time to, less and less often; that it is still away is logged once a minute. True:
 * it is back. *why is empty when it was not tried. */
MUST_USE bool connection_retry(struct connection *c, struct err *why);

#endif
