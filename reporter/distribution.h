/*
 * Distributions of counts, and sums of independent ones by exact convolution. Pure.
 */
#ifndef REPORTER_DISTRIBUTION_H
#define REPORTER_DISTRIBUTION_H

#include "base/arena.h"

/* P(N = k), k = 0 .. size-1, adding to 1 (the tail beyond is below 1e-12 and folded into the last). */
struct distribution {
    double *p;
    size_t size;
};
double distribution_mean(const struct distribution *d);
int distribution_quantile(const struct distribution *d, double q); /* smallest k with P(N <= k) >= q */
double distribution_at_most(const struct distribution *d, int k);
struct distribution distribution_sum(const struct distribution *a, const struct distribution *b,
                                     struct arena *mem);
/* Of any number of them, by halves; none gives a certain 0. Overwrites the list. */
struct distribution distribution_sum_all(struct distribution *list, size_t n, struct arena *mem);
/* Sum of independent yes/no events (Poisson-binomial). */
struct distribution distribution_of_events(const double *p, size_t n, struct arena *mem);
/* Poisson, or negative binomial where the variance is above the mean. */
struct distribution distribution_of_counts(double mean, double variance, struct arena *mem);
/* One of them, drawn with the weights (which add to 1). */
struct distribution distribution_mixture(const struct distribution *list, const double *weights, size_t n,
                                         struct arena *mem);

#endif
