/*
 * Weibull regression of lives on covariates (accelerated failure time) with late entry, right and interval
 * censoring: log t = intercept + sum of effect times covariate + W / shape, W of the standard smallest
 * extreme value. An effect of 0.1 means that one unit more of its covariate makes lives longer by a factor
 * exp(0.1); the hazard of proportional hazards changes by exp(-shape times effect). Pure. Checked against
 * published data in tests/unit/test_life_regression.c and against R in tests/reference.
 */
#ifndef REPORTER_LIFE_REGRESSION_H
#define REPORTER_LIFE_REGRESSION_H

#include "life.h"

struct life_covariates {
    size_t count;
    const char *const *names;
    const double *x; /* 'count' numbers a life, none of them NAN */
};

struct life_effect {
    const char *name;
    double value, se;
    double wald[2], lr[2]; /* 95 %; NAN where there is no end */
    double p;              /* likelihood ratio against no effect */
};

struct life_regression {
    const char *why_not; /* what keeps the maximum from being found; NULL: found, and the rest holds */
    size_t n, count;     /* lives, effects */
    double failures;
    double intercept, shape;
    double shape_ci[2], shape_lr[2];
    double log_likelihood, log_likelihood_without; /* with no effects: natural scale of time */
    double p;                                      /* of all effects together */
    struct life_effect *effects;
    double *covariance; /* of intercept, effects, log(1 / shape): (count + 2)^2 numbers */
};

void life_regress(const struct lifetime *lives, size_t n, const struct life_covariates *c, struct arena *mem,
                  struct life_regression *out);

/* Age at which a share p has failed among units with covariates x, and the standard error of its log. */
double life_regression_quantile(const struct life_regression *r, const double *x, double p, double *log_se);
/* By what factor units with covariates x age faster than units with covariates 'than'. */
double life_pace(const struct life_regression *r, const double *x, const double *than);

#endif
