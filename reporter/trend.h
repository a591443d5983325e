/*
 * What a series of speeds does: its middle and scatter, its slope, where it changes. Pure. Robust throughout:
 * medians, median absolute deviation, Theil-Sen slope with Sen's limits. Checked against published series in
 * tests/unit/test_trend.c. An arena given to these functions is scratch: no result lies in it.
 */
#ifndef REPORTER_TREND_H
#define REPORTER_TREND_H

#include "base/arena.h"

double trend_median(const double *x, size_t n, struct arena *mem); /* NAN for n 0 */
double trend_mad(const double *x, size_t n, struct arena *mem);    /* raw, without the factor below */
/* 1 / normal quantile of 0.75: makes the median absolute deviation a standard deviation for normal values. */
#define TREND_MAD_SCALE 1.482602218505602

struct slope {
    double slope, lower, upper; /* Theil-Sen and Sen's limits at the confidence */
    double s, variance, z, p;   /* Mann-Kendall: statistic, variance with ties, corrected z, two-sided p */
    double intercept;           /* median of y - slope x */
    size_t n;
};
/* At most TREND_MAX_POINTS points (it is quadratic): the caller thins. NAN fields for n < 3. */
enum { TREND_MAX_POINTS = 400 };
struct slope trend_slope(const double *x, const double *y, size_t n, double confidence, struct arena *mem);

/* Exponentially weighted mean: z[i] = weight x[i] + (1-weight) z[i-1], from start. */
void trend_ewma(const double *x, size_t n, double weight, double start, double *z);
/* Two-sided CUSUM in data units; index of the first value past the limit h, or n. */
size_t trend_cusum(const double *x, size_t n, double target, double k, double h, double *high, double *low);
/* Page-Hinkley for a rise; index of the first alarm, or n. */
size_t trend_page_hinkley(const double *x, size_t n, double delta, double lambda, double *statistic);
/* Returns how many were replaced; the first and last half points are never tested. Hampel filter, window
 * +-half, limit in scaled MADs (floored at resolution); false points become the window's median. */
size_t trend_hampel(double *x, size_t n, int half, double limit, double resolution, struct arena *mem);

#endif
