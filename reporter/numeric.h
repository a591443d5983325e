/*
 * Special functions behind the statistics: those of GSL, whose aborting error handler is turned off here and
 * nowhere else. Pure. An argument outside a function's domain gives NAN. Checked in
 * tests/unit/test_numeric.c.
 */
#ifndef REPORTER_NUMERIC_H
#define REPORTER_NUMERIC_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

/* NAN and INFINITY of math.h are floats; as doubles they pass -Wdouble-promotion. */
#define D_NAN ((double)NAN)
#define D_INF ((double)INFINITY)
/* Two-sided 95 % limits lie this many standard errors out. */
#define NORMAL_95 1.959963984540054

double normal_cdf(double x);
double normal_log_cdf(double x); /* good where the probability itself underflows */
double normal_density(double x);
double normal_mills(double x); /* upper tail over density; good where both underflow */
double normal_quantile(double p);
double chi_square_quantile(double p, double freedom);
double chi_square_above(double x, double freedom); /* upper tail: the p of a test */
double gamma_log(double x);                        /* x > 0 */
double gamma_log_slope(double x);                  /* its derivative (digamma) */
double gamma_log_bend(double x);                   /* and the second one (trigamma) */
double gamma_share(double a, double x); /* lower incomplete gamma function over the whole: P(a, x) */

/*
 * Symmetric positive definite n x n matrices, of which the lower half is read: solves m x = b in place of b;
 * the inverse, whole. False where m is not positive definite.
 */
bool numeric_solve(const double *m, size_t n, double *b);
bool numeric_inverse(const double *m, size_t n, double *inverse);

/* P(N = k) with a mean and a variance: negative binomial, and Poisson where the variance is not above the
 * mean. */
double count_probability(int k, double mean, double variance);

#endif
