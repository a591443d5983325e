/*
 * Life models: Weibull by maximum likelihood with right and interval censoring and late entry, its limits,
 * and the curves beside it. Pure. Ages are hours. Checked against published data in tests/unit/test_life.c.
 *
 * Survival of the Weibull: S(t) = exp(-(t/scale)^shape).
 */
#ifndef REPORTER_LIFE_H
#define REPORTER_LIFE_H

#include "base/arena.h"

/* One fan's observed life. Failure at exit, or between exit and exit_high where exit_high > exit. */
struct lifetime {
    double entry;     /* age at which observation began; 0: from new */
    double exit;      /* age at which it ended */
    double exit_high; /* NAN unless the failure fell between two looks; then it is in (exit, exit_high] */
    bool failed;
    double count; /* how many alike; 1 for a single unit */
};

enum life_method {
    LIFE_MAXIMUM_LIKELIHOOD,
    LIFE_SHAPE_ASSUMED, /* too few failures for a shape: shape fixed (weibayes), scale from the data */
    LIFE_NO_FAILURE,    /* none failed: shape fixed, scale is a lower limit at 50 % confidence */
    LIFE_NO_DATA,
    LIFE_POOLED, /* few failures: from the law that the groups of a pool share (life_pool.h) */
};

struct life_law;

struct life_model {
    enum life_method method;
    size_t n;
    double failures;
    double shape, scale;
    double log_likelihood;           /* at the estimate; natural scale of time */
    double shape_ci[2], scale_ci[2]; /* 95 %, Wald on the log scale; NAN where there is none */
    double shape_lr[2], scale_lr[2]; /* 95 %, likelihood ratio; NAN where there is no end */
    double b10;                      /* age at which a tenth has failed */
    double var_log_scale, var_log_shape,
        cov_log;                /* of (log scale, log shape); NAN without a shape estimate */
    const struct life_law *law; /* NULL: not pooled; else what life_conditional and its limits go by */
    double borrowed;            /* share of the rate that is the pool's; NAN: not pooled */
};

/* The shape taken where the data do not give one: typical of fans with bearing wear (standards of fan makers'
 * tests vary between 1.1 and 3; a setting of the caller). */
#define LIFE_ASSUMED_SHAPE 2.0
/* A failure at age 0 counts as one within this span of new. */
#define LIFE_RESOLUTION_HOURS 1.0
/* Fewer failures than this say nothing useful about a shape. */
#define LIFE_FAILURES_FOR_SHAPE 2.0

/* Never fails: what the data do not support is said by method and NAN. Invalid rows are a BUG (callers
 * check). */
void life_fit(const struct lifetime *lives, size_t count, double assumed_shape, struct arena *mem,
              struct life_model *out);

double life_survival(const struct life_model *m, double age);
/* Cumulative hazard between two ages, at the estimate. */
double life_hazard(const struct life_model *m, double from, double to);
/* P(fails in (age, age+h] | alive at age): averaged over all that the law may be where there is one, else at
 * the estimate. */
double life_conditional(const struct life_model *m, double age, double h);
/* Its 95 % limits: of the law, else by the delta method on the log cumulative hazard. */
void life_conditional_limits(const struct life_model *m, double age, double h, double limits[2]);
double life_quantile(const struct life_model *m, double p);
/* 95 % limits of F(t) through z = (log t - mu)/sigma. */
void life_failed_limits(const struct life_model *m, double t, double limits[2]);
void life_quantile_limits(const struct life_model *m, double p, double limits[2]);
/* Scale's one-sided lower limit with a known shape: (2T / chi2(conf, 2r+2))^(1/shape). */
double life_scale_lower(const struct lifetime *lives, size_t count, double shape, double confidence);

/* Kaplan-Meier with Greenwood, log-log limits, and Nelson-Aalen; one row a distinct failure age. Interval
 * rows count at exit_high. Limits are NAN at S = 0 or 1. */
struct life_step {
    double age, at_risk, failed, survival, se, lower, upper, hazard, hazard_se;
};
size_t life_curve(const struct lifetime *lives, size_t count, struct arena *mem, struct life_step **steps);
/* Limits of a step's survival on the logit scale (Meeker & Escobar 1998); NAN at S = 0 or 1. */
void life_curve_logit(const struct life_step *step, double limits[2]);
/* The age by which a share has failed, and the ages at which its limits cross; NAN: not yet. */
double life_curve_age(const struct life_step *steps, size_t count, double share, double limits[2]);
/* Mean life within 'until', and its standard error. */
double life_curve_mean(const struct life_step *steps, size_t count, double until, double *se);

/*
 * Cumulative incidence of each of several causes that end a life (Aalen & Johansen 1978): the share that a
 * cause has ended by an age while the others were at work too. cause[i] is that of a failed life, from 0.
 */
enum { LIFE_MOST_CAUSES = 8 };
struct life_incidence {
    double age, at_risk, survival;
    double share[LIFE_MOST_CAUSES], se[LIFE_MOST_CAUSES];
};
size_t life_incidence(const struct lifetime *lives, const int *cause, size_t count, struct arena *mem,
                      struct life_incidence **steps);

const char *life_method_word(enum life_method m);

#endif
