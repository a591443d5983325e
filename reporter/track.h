/*
 * The track record: forecasts at past dates, each made from what was dated before it and by methods fitted to
 * what had come by then, beside what came. Pure.
 *
 * The past is gone through once, forward in time: every TRACK_REFIT dates all methods are fitted anew to the
 * dates before, cut off at that moment, and the dates that follow are scored. The method that did best is the
 * one to use; it is then fitted to the whole past. A drive with an open fault is not forecast. Drives of
 * which a fan was replaced before a fault, or without one, are weighted as in score_weights, apart for those
 * that a plain sum of the witnesses put at TRACK_LIKELY or above, since those are replaced more often.
 */
#ifndef REPORTER_TRACK_H
#define REPORTER_TRACK_H

#include "forecast.h"

enum {
    TRACK_STEP_DAYS = 7,
    TRACK_LEAD_DAYS = 60,   /* records of a site before its first date */
    TRACK_LEARN_DAYS = 120, /* dates before the first that is scored */
    TRACK_REFIT = 8,        /* dates */
    TRACK_MOST_DATES = 156,
    TRACK_CALL_DAYS = 90, /* calls that are told one by one */
};
#define TRACK_LIKELY 0.1
#define TRACK_TOP 0.05 /* share of the drives that counts as the top of a ranking */
#define TRACK_CALL 0.5 /* probability within 30 days from which on a drive counts as called */

struct track_score {
    struct brier brier;
    double log_score, area, concordance;
    double precision; /* among the top of each date */
};

/* One horizon: the end of a span. */
struct track_horizon {
    int days;
    size_t forecasts; /* 0: the past is too short */
    size_t faults;    /* forecasts after which one came in time */
    size_t lost;      /* forecasts of which the end was not seen */
    struct track_score by[FORECAST_METHODS];
    struct score_tenth tenths[SCORE_TENTHS]; /* of the method that is used */
};

/* One forecast of the replay. */
struct track_row {
    const struct drive *drive;
    int64_t at_us;
    struct replay_outcome outcome;
    double p[FORECAST_METHODS][FORECAST_SPANS];
    double weight[FORECAST_SPANS]; /* in the scores; NAN: not due */
};

struct track {
    int32_t first_day, scored_day, last_day; /* of the dates; DAY_UNKNOWN: none */
    int scored_dates;
    struct track_horizon horizons[FORECAST_SPANS];
    int called, called_right; /* drives called in the last TRACK_CALL_DAYS that are due, and with a fault */
    struct calibration calibration;
    const struct track_row *rows; /* those that were scored, in order of time */
    size_t row_count;
};

/* The fleet with its days in memory; all sites. */
void track_replay(const struct fleet *fleet, struct arena *mem, struct track *out);
/* Scores of cases that are given, such as forecasts that were issued. */
struct track_score track_score(const struct score_case *cases, size_t n, struct arena *mem);

#endif
