/*
 * How groups that are alike lend each other what they know. Pure. Checked against published values in
 * tests/unit/test_life_pool.c.
 *
 * Counts over exposures: the rate of each group is drawn from a gamma law of shape a and rate b, so that a
 * group with d events in an exposure E has a gamma law of shape a + d and rate b + E: also where d is 0.
 * Estimates with variances: each is drawn from a normal law around a common mean.
 */
#ifndef REPORTER_LIFE_MIXING_H
#define REPORTER_LIFE_MIXING_H

#include "base/arena.h"

struct mixing_group {
    double events, exposure;
};

/* Groups differ so little that no difference can be told: a has no maximum below this. */
#define MIXING_MOST_A 1e4

struct mixing {
    double a, b;
    double log_likelihood; /* of the counts as Poisson counts of the exposures */
    bool alike;            /* a is MIXING_MOST_A: as good as one common rate */
};
/* Greatest marginal likelihood; needs an event and exposures. */
void mixing_fit(const struct mixing_group *groups, size_t n, struct mixing *out);

/* The same not at its maximum alone but with all that a and b may be: points with weights that add to 1. */
struct mixing_point {
    double a, b, weight;
};
enum { MIXING_POINTS_A = 33, MIXING_POINTS_M = 13, MIXING_POINTS = MIXING_POINTS_A * MIXING_POINTS_M };
/* Of (log a, log b) up to a constant. */
typedef double mixing_prior_fn(double a, double b);
/* Even in the mean rate's log, and in the share 1 / (1 + a) of a group's own first events in its rate. */
double mixing_even_prior(double a, double b);
void mixing_spread(const struct mixing_group *groups, size_t n, mixing_prior_fn *prior,
                   struct mixing_point points[MIXING_POINTS]);
/* Log-likelihood of one group, less what does not depend on a and b. */
double mixing_log_likelihood(const struct mixing_group *g, double a, double b);

/* Method of moments (DerSimonian and Laird 1986). */
struct shrinkage {
    double between; /* variance between groups; 0: no more than their own variances tell */
    double mean, se;
    double q; /* heterogeneity, chi-square with n - 1 degrees where groups are alike */
};
void shrinkage_of(const double *estimates, const double *variances, size_t n, struct shrinkage *out);
/* An estimate drawn towards the mean. */
double shrinkage_value(const struct shrinkage *s, double estimate, double variance);

#endif
