/*
 * What is wrong, how badly, and the command that helps: the judgements of the command health. Pure, over rows
 * that were read before.
 */
#ifndef COLLECTOR_HEALTH_CHECK_H
#define COLLECTOR_HEALTH_CHECK_H

#include "base/clock.h"
#include "db.h"

/* The worst first. */
enum severity { SEVERITY_LOSING, SEVERITY_WRONG, SEVERITY_NOTICE, SEVERITIES };
extern const char *const severity_words[SEVERITIES]; /* "losing" ... */

struct complaint {
    enum severity severity;
    const char *about, *what, *help; /* about: a source, "database", "collector", "alerts", "spool" */
    bool is_source;
};

struct health {
    struct arena *mem;
    int64_t now_us;
    int64_t clock_stepped_us; /* of a collector's clock; TIME_UNKNOWN: never */
    struct complaint *complaints;
    size_t count, capacity;
};

/* Columns of q_health_sources. */
enum {
    SOURCE_SITE,
    SOURCE_NAME,
    SOURCE_URL,
    SOURCE_PERIOD,
    SOURCE_CONTACT,
    SOURCE_NEXT,
    SOURCE_LAST,
    SOURCE_BUFFER,
    SOURCE_OFFSET,
    SOURCE_FAILURES,
    SOURCE_LAST_ERROR,
    SOURCE_BINDINGS,
    SOURCE_GAPS,
    SOURCE_SET_ASIDE,
    SOURCE_SET_ASIDE_WHY,
    SOURCE_REFUSALS,
    SOURCE_CERTIFICATE
};
/* Columns of q_health_service. */
enum {
    SERVICE_RUNNING,
    SERVICE_LOST,
    SERVICE_LOST_SEEN,
    SERVICE_CLOCK_STEPPED,
    SERVICE_ALERTS,
    SERVICE_ALERTS_OLDEST,
    SERVICE_ALERTS_ERROR,
    SERVICE_ALERTS_GIVEN_UP,
    SERVICE_SCHEMA,
    SERVICE_SERVER
};
/* Columns of q_health_journal. */
enum { JOURNAL_ROWS, JOURNAL_READINGS, JOURNAL_OLDEST };

/* "90 s", "5 min", "3 h", "12 days". */
const char *health_duration(struct arena *mem, int64_t us);
/* Observations that the source holds and we have not read; their share of what it can hold, 0..1. */
int64_t health_lag(const struct rows *sources, size_t row);
double health_lag_share(const struct rows *sources, size_t row);
/* By how long it is overdue against its period; 0: it is in time; TIME_UNKNOWN: it was never read. After a
 * step of a collector's clock a source has a whole cycle before it counts as late. */
int64_t health_late_us(const struct health *h, const struct rows *sources, size_t row);

void health_complain(struct health *h, enum severity severity, const char *about, const char *what,
                     const char *help);
void health_check_source(struct health *h, const struct rows *sources, size_t row);
void health_check_service(struct health *h, const struct rows *service);
void health_check_journal(struct health *h, const struct rows *journal);
void health_check_spool(struct health *h, const char *folder, uint64_t bytes, int64_t oldest_us);
/* The worst first, else in the order in which they were found. */
void health_sort(struct health *h);

#endif
