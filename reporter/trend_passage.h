/*
 * When a wandering path with a drift first reaches a distance (a Wiener process): the drift known, or normal
 * and integrated out. Pure. drift is towards the limit and per unit of time, sd (diffusion) per root of a
 * unit of time. A drift that is not above 0 may never get there: then the probability of ever is below 1.
 */
#ifndef REPORTER_TREND_PASSAGE_H
#define REPORTER_TREND_PASSAGE_H

#include <stddef.h>

/* Inverse Gaussian with mean distance/drift; 1 for a distance that is not above 0; t may be INFINITY. */
double trend_passage_cdf(double t, double distance, double drift, double sd);
double trend_passage_quantile(double p, double distance, double drift,
                              double sd); /* INFINITY when F(inf) < p */

/* The same with a drift of which only a normal law is known: drift its mean, drift_sd its standard deviation.
 */
double trend_passage_unsure_cdf(double t, double distance, double drift, double drift_sd, double sd);

/* Drift per unit of time and diffusion from increments: mu = sum dY / sum dt, s2 = mean (dY - mu dt)^2 / dt.
 */
void trend_wiener_fit(const double *dy, const double *dt, size_t n, double *mu, double *s2);
double inverse_gaussian_pdf(double x, double mean, double shape);
double inverse_gaussian_cdf(double x, double mean, double shape);

#endif
