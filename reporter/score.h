/*
 * How good forecasts were: Brier score with its parts, log score, calibration, ranking. Pure. Check values in
 * tests/unit/test_score.c, random samples against R in tests/reference/.
 *
 * A case is one forecast with what came of it. Cases of unequal weight stand for those whose end was not seen
 * (score_weights); cases of one cluster (a drive) are not independent of each other.
 */
#ifndef REPORTER_SCORE_H
#define REPORTER_SCORE_H

#include "base/arena.h"

struct score_case {
    double probability, weight;
    bool happened;
    int cluster;
};

/*
 * score = reliability - resolution + uncertainty, exactly, since cases are grouped by distinct probabilities.
 * skill = 1 - score / uncertainty: against a forecast that always says the observed share. NAN without cases.
 */
struct brier {
    double weight, share; /* sum of the weights; of them, where it happened */
    double score, reliability, resolution, uncertainty, skill;
};
struct brier score_brier(const struct score_case *cases, size_t n, struct arena *mem);
/* Mean of -log of the probability that was given to what came, in nats; probabilities kept off 0 and 1. */
double score_log(const struct score_case *cases, size_t n);
/* Probability that a case where it happened had been given more than one where it did not; ties count half.
 */
double score_area(const struct score_case *cases, size_t n, struct arena *mem);
/* Share of the k likeliest in which it happened; of those tied at the border, as many as are left. */
double score_precision(const struct score_case *cases, size_t n, double k, struct arena *mem);

/* Forecasts within a tenth of the scale of probability. */
enum { SCORE_TENTHS = 10 };
struct score_tenth {
    size_t count;
    double weight, forecast, observed; /* mean probability, share in which it happened; NAN when empty */
    double error; /* 95 % sampling error of observed - forecast, of clusters, if the forecast were right */
};
void score_tenths(const struct score_case *cases, size_t n, struct arena *mem,
                  struct score_tenth out[SCORE_TENTHS]);

/* How long a unit was seen, how that ended, and the risk it had been given. */
struct score_life {
    double time, risk;
    bool failed;
};
/*
 * Harrell's concordance: a pair counts when the earlier time is a failure (at the same time a failure is
 * earlier than a censoring); equal risks count half. c is NAN without such pairs.
 */
struct concordance {
    double concordant, discordant, tied_risk, tied_time; /* tied_time: two failures at one time */
    double c;
};
struct concordance score_concordance(const struct score_life *lives, size_t n);
/*
 * Weights that let the seen stand for those whose end was not: 1 / G of the time of a failure within the
 * horizon, 1 / G(horizon) of those seen beyond it without one, 0 of those lost before; G is the share not
 * lost yet (Graf and others, Statistics in Medicine 18 (1999) 2529).
 */
void score_weights(const struct score_life *lives, size_t n, double horizon, struct arena *mem,
                   double *weights);

#endif
