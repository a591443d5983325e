/*
 * The collector's own health, and what it knows of each source, as OpenMetrics 1.0 text.
 */
#ifndef COLLECTOR_METRICS_H
#define COLLECTOR_METRICS_H

#include "base/arena.h"
#include "base/clock.h"
#include "health_source.h"
#include "histogram.h"
#include "spool.h"
#include "station.h"

/* Since the start where nothing else is said. */
struct metrics {
    int64_t polls, failures[FAILURE_KINDS];
    int64_t observations, readings, conditions, gaps, set_aside, stale_batches;
    int64_t alerts_sent, alerts_failed;
    int64_t sources, sources_failing; /* now */
    struct histogram commits;
    bool database_up;
    int64_t primaries_refused;
    int64_t started_us, last_success_us; /* of storing; TIME_UNKNOWN: not yet */
    bool has_spool;
    int64_t spool_bytes, spool_oldest_us; /* oldest TIME_UNKNOWN: it is empty */
    int64_t spool_dropped, spool_damaged, spool_reserve_bytes;
    bool has_spool_disk;
    struct spool_disk spool_disk;
    const struct source_health *each; /* of the sources; gaps and refusals since the start */
    size_t each_count;
    int64_t clock_stepped_us; /* TIME_UNKNOWN: never */
};

#define METRICS_BYTES ((size_t)512 * 1024 * 1024) /* more than the text of any fleet */

/* The text, in mem. */
const char *metrics_text(const struct metrics *m, int64_t now_us, struct arena *mem);
/* Into a file that is replaced as a whole. */
MUST_USE bool metrics_write(const struct metrics *m, int64_t now_us, const char *path, struct err *err);

#endif
