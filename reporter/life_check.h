/*
 * Whether a fitted law agrees with the lives that it was fitted to. Pure.
 *
 * The cumulative hazards that the law gives to all units (their Cox-Snell residuals, censored as the units
 * are) are those of a unit exponential law where it fits: in each of some spans of age as many failures as
 * hazard. Pearson's sum of squares of the differences, with what the fit itself takes away from them (Hjort
 * 1990).
 */
#ifndef REPORTER_LIFE_CHECK_H
#define REPORTER_LIFE_CHECK_H

#include "life.h"

enum { LIFE_CHECK_LEAST = 15, LIFE_CHECK_SPANS = 8 }; /* failures; spans at most */

struct life_check {
    const char *why_not; /* why there is no answer; NULL: there is one */
    double hazard;       /* of all units together: the failures, at the greatest likelihood */
    double statistic, freedom, p;
    size_t spans;
    double end[LIFE_CHECK_SPANS], failed[LIFE_CHECK_SPANS], expected[LIFE_CHECK_SPANS];
};

void life_check(const struct lifetime *lives, size_t count, const struct life_model *m,
                struct life_check *out);
/* A sentence for people, with the span in which the law is worst where it does not fit. */
const char *life_check_words(const struct life_check *c, struct arena *mem);

#endif
