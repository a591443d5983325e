/*
 * Places at which the same thing happens again and again: how often by a time, and whether it comes faster.
 * Pure. Checked against published data in tests/unit/test_life_recurrence.c.
 *
 * Another clock than that of a life: time since a place was first seen, not since a fan was fitted.
 */
#ifndef REPORTER_LIFE_RECURRENCE_H
#define REPORTER_LIFE_RECURRENCE_H

#include "base/arena.h"

/* Seen from 0 to 'end'; events in order of time, none after the end, each above 0. */
struct recurrence {
    double end;
    const double *at;
    size_t count;
};

/*
 * Mean cumulative function (Nelson 1988), one row a time of an event. variance: robust, which holds where
 * places differ (Lawless & Nadeau 1995); NAN with a single place. poisson: where each event is independent.
 */
struct recurrence_step {
    double at, at_risk, events, mean, variance, poisson;
};
size_t recurrence_mean(const struct recurrence *places, size_t count, struct arena *mem,
                       struct recurrence_step **steps);
/* 95 % on the log scale. */
void recurrence_limits(const struct recurrence_step *step, double limits[2]);

/*
 * Power law of the rate: rate * growth * t^(growth - 1) events a unit of time. growth above 1: faster and
 * faster.
 */
struct power_law {
    double events;
    double rate, growth;
    double growth_ci[2];   /* 95 %, exact for one place; else NAN */
    double unbiased;       /* growth less its bias; one place */
    double trend, trend_p; /* 2 sum log(end / t): chi-square where the rate is constant; two-sided */
    double laplace;        /* normal score of the mean time; below 0: slower and slower; one place */
    double log_likelihood;
};
/* ends_at_event: each place was watched until its last event, which then counts for the end alone in what is
 * exact. NAN without an event. */
void power_law_fit(const struct recurrence *places, size_t count, bool ends_at_event, struct power_law *out);
/* Of one place: 95 % or other limits of growth. */
void power_law_growth_limits(const struct power_law *law, bool ends_at_event, double confidence,
                             double limits[2]);
/* Cramer-von Mises distance of one place's times from the law. */
double power_law_distance(const struct power_law *law, const struct recurrence *place, bool ends_at_event);

#endif
