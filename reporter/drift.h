/*
 * How fast a fan wears: its lost speed as a wandering path with a drift of its own, seen with noise. Pure.
 *
 * A value is the share of its own speed that a fan has lost; days rise. A fan is calm or restless about a
 * drift of 0, leans (a small drift all along, as by dirt), or has begun to fall at some moment; from then on
 * what it loses grows with a power of the days since (Whitmore & Schenkelberg 1997: a Wiener process on a
 * clock of its own, on which its drift is constant). Drifts are normal over the fans of a model, and each
 * fan's own values sharpen that law (conjugate, by a Kalman filter of level and drift in which the noise of
 * the values is apart from the movement of the level). Laws of a model are estimated from its fans
 * (drift_pool).
 */
#ifndef REPORTER_DRIFT_H
#define REPORTER_DRIFT_H

#include "base/arena.h"

/* Normal law of level and drift. */
struct drift_state {
    double level, drift;
    double level_var, drift_var, covariance;
    double squares,
        variances; /* of the values seen against what was expected: sum over variance, and product */
};
/* Level and drift start independent of each other. */
struct drift_state drift_start(double level, double level_sd, double drift, double drift_sd);
void drift_pass(struct drift_state *s, double days, double diffusion); /* diffusion: per root of a day */
void drift_see(struct drift_state *s, double value, double noise);
double drift_log_likelihood(const struct drift_state *s); /* of the values seen, but for a constant of each */
/* Probability that the level reaches a limit, known up to a standard deviation, within some days. */
double drift_reach(const struct drift_state *s, double limit, double limit_sd, double diffusion, double days);

/* What is common to the fans of a model. */
struct drift_law {
    double noise;                                       /* of a value */
    double steady_sd, steady_diffusion;                 /* drift about 0 */
    double falling_mean, falling_sd, falling_diffusion; /* on the clock of drift_clock */
    double restless, leaning, share; /* of the fans: they move as far as falling ones do; lean; fall */
};
/* Days on the clock of wear, some days after it began; 1:1 after DRIFT_CLOCK_DAYS. */
#define DRIFT_CLOCK_DAYS 50.0
double drift_clock(double power, double days);

enum {
    DRIFT_VALUES = 16,
    DRIFT_BEFORE = 2,
    DRIFT_POWERS = 2,
    DRIFT_WAYS = 3 + DRIFT_POWERS * (DRIFT_VALUES + DRIFT_BEFORE)
};
/* The series of one fan: at most DRIFT_VALUES. */
struct drift_series {
    const double *days, *lost;
    size_t n;
    double noise; /* what its values have beyond the noise of the law */
    double span;  /* days that each value is the middle of; 0: of a moment */
};

/* One way in which things may stand at the last value. */
enum drift_kind { DRIFT_CALM, DRIFT_RESTLESS, DRIFT_LEANING, DRIFT_FALLING };
struct drift_way {
    enum drift_kind kind;
    double weight; /* of all ways: 1 */
    struct drift_state state;
    double fallen_days; /* how long it has been falling */
    double power;       /* of its clock; 1: loses evenly */
    double diffusion;
};
/* At least one value. Returns how many ways there are: the calm one first, then those that have any weight.
 */
size_t drift_judge(const struct drift_law *law, const struct drift_series *series,
                   struct drift_way ways[DRIFT_WAYS]);
double drift_moving(const struct drift_way *ways, size_t n); /* weight of those that lean or fall */
/* Lets the ways go on for some days without a value. */
void drift_wait(struct drift_way *ways, size_t n, double days);
/* Probability that the limit is reached within some days, over all ways. */
double drift_chance(const struct drift_way *ways, size_t n, double limit, double limit_sd, double days);
/* 10 and 90 % points of that probability, as drifts are not known exactly. */
void drift_chance_limits(const struct drift_way *ways, size_t n, double limit, double limit_sd, double days,
                         double limits[2]);
/* What will have been lost in some days, with some probability not more. */
double drift_lost_quantile(const struct drift_way *ways, size_t n, double days, double p);
/* Lost a day, now: probability that it is not above some value, and the value of a probability. */
double drift_rate_cdf(const struct drift_way *ways, size_t n, double rate);
double drift_rate_quantile(const struct drift_way *ways, size_t n, double p);

/*
 * The law of many series, from what is assumed before any is seen (of the weight of a few fans); robust
 * medians for what is small, then expectation and maximisation for who falls and how. drift_assumed is the
 * first assumption of all.
 */
extern const struct drift_law drift_assumed;
struct drift_law drift_pool(const struct drift_law *assumed, const struct drift_series *series, size_t n,
                            struct arena *mem);

#endif
