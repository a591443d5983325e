/*
 * What a run has stored, and what not.
 */
#ifndef COLLECTOR_TOTALS_H
#define COLLECTOR_TOTALS_H

#include "histogram.h"
#include "load.h"
#include "station.h"

struct totals {
    int64_t observations, readings, conditions, events, gaps, set_aside;
    int64_t polls, failures[FAILURE_KINDS], stale_batches;
    struct histogram commits; /* seconds */
    int64_t last_success_us;  /* TIME_UNKNOWN: nothing was stored yet */
};

/* A batch was stored, but for the rows that were refused. */
void totals_add(struct totals *t, const struct batch *b, const struct refused_rows *refused);

#endif
