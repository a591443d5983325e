/*
 * What is known of the reading of one source, whoever says it: the database, a running collector, or the
 * state that a collector left on disk.
 */
#ifndef COLLECTOR_HEALTH_SOURCE_H
#define COLLECTOR_HEALTH_SOURCE_H

#include "base/arena.h"
#include "base/clock.h"
#include "db.h"
#include "refusals.h"

#define HEALTH_UNKNOWN TIME_UNKNOWN /* of any number */

struct source_health {
    const char *site, *source, *url;
    const char *last_error, *set_aside_why; /* NULL: none */
    const char *link_down; /* it answers, but says that what it reads is not connected; NULL: it is */
    int64_t period_s, contact_us;
    int64_t next_sequence, last_sequence, buffer_size; /* of the source's own buffer */
    int64_t clock_offset_ms;                           /* its clock minus ours */
    int64_t failures, bindings;
    int64_t gaps; /* in the last 24 hours, or since a collector began */
    int64_t set_aside;
    int64_t certificate_us;
    const struct refusals *refusals; /* set aside, by kind; NULL: none */
};

/* Rows of q_health_sources, in mem. */
struct source_health *health_sources_of_rows(const struct rows *rows, struct arena *mem);

/* Observations that the source holds and we have not read; their share of what it can hold, in millionths. */
int64_t health_lag(const struct source_health *s);
int64_t health_lag_share(const struct source_health *s);
/* How long ago it last answered. */
int64_t health_age_us(const struct source_health *s, int64_t now_us);
/* By how long it is overdue against its period; 0: it is in time. After a step of a collector's clock
 * (TIME_UNKNOWN: there was none) a source has a whole cycle before it counts as late. */
int64_t health_late_us(const struct source_health *s, int64_t now_us, int64_t clock_stepped_us);

#endif
