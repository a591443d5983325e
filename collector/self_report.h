/*
 * What a running collector tells of itself and its sources: OpenMetrics text in a file and on a port of the
 * loopback interface, and its state on disk for the command health.
 */
#ifndef COLLECTOR_SELF_REPORT_H
#define COLLECTOR_SELF_REPORT_H

#include "primary.h"
#include "reader.h"
#include "spool.h"

struct self_report_settings {
    const char *metrics_file; /* NULL: none */
    int64_t metrics_port;     /* 0: none */
};

/* What only its owner knows. */
struct self_view {
    const struct reader *reader;
    const struct spool *spool; /* NULL: none */
    const char *collector;     /* host and process */
    const char *database_away; /* why; NULL: it can be used */
    const struct primary *primary;
    int64_t started_us, clock_stepped_us;
    int64_t alerts_sent, alerts_failed;
};

struct self_report;

MUST_USE bool self_report_new(struct self_report **r, const struct self_report_settings *settings,
                              struct err *err);
void self_report_free(struct self_report *r); /* NULL is fine; the state on disk goes */
/* After a failure the old settings are in force. */
MUST_USE bool self_report_change(struct self_report *r, const struct self_report_settings *settings,
                                 struct err *err);
/* From now on the state is kept in this folder. */
void self_report_keep_state(struct self_report *r, const char *dir);

/* To be called whenever the main loop has turned: writes what is due, answers who asks. */
void self_report_turn(struct self_report *r, const struct self_view *view);
/* Something important is new: the next turn writes. */
void self_report_hurry(struct self_report *r);
/* Somebody is being answered: turn again soon. */
bool self_report_busy(const struct self_report *r);

#endif
