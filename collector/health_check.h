/*
 * What is wrong, how badly, and the command that helps: the judgements of the command health. Pure, over what
 * was found before. A new check is a function and its row in one of the two tables.
 */
#ifndef COLLECTOR_HEALTH_CHECK_H
#define COLLECTOR_HEALTH_CHECK_H

#include "spool.h"
#include "state_file.h"

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
    SERVICE_SERVER,
    SERVICE_NOW
};
/* Columns of q_health_journal. */
enum { JOURNAL_ROWS, JOURNAL_READINGS, JOURNAL_OLDEST };

/* Who speaks of the sources. */
enum witness { WITNESS_NONE, WITNESS_DATABASE, WITNESS_COLLECTOR };

/* What was found. */
struct findings {
    enum witness witness;
    struct source_health *sources;
    size_t source_count;
    struct rows *journal, *service; /* NULL: the database cannot be used */
    const char *database_error;     /* why not */
    const char *database_help;
    bool has_state;
    struct state state; /* that a collector left on this machine */
    const char *spool;  /* folder; NULL: none */
    uint64_t spool_bytes;
    int64_t spool_oldest_us;
    const char *spool_error; /* NULL: none */
    bool has_spool_disk;
    struct spool_disk spool_disk;
    uint64_t spool_reserve_bytes;
};

/* "90 s", "5 min", "3 h", "12 days". */
const char *health_duration(struct arena *mem, int64_t us);
/* The collector that left its state is alive. */
bool health_state_is_fresh(const struct health *h, const struct findings *f);
/* Judges all that was found; the worst first, else in the order of the checks. */
void health_check(struct health *h, const struct findings *f);

#endif
