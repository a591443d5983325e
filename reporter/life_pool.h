/*
 * Life laws of groups that lend each other what they know (fan models of one fleet), and what such a law says
 * of a unit's future: averaged over all that shape and rate may be, not at the best estimate alone. Pure.
 *
 * Shapes: each group's log shape is drawn from a normal law around a common one, itself known beforehand only
 * as a factor e^(+-1/2) around the assumed shape. Rates (cumulative hazard at a usual age): gamma mixing
 * (life_mixing.h). A group without a failure borrows, one with many stands on its own.
 */
#ifndef REPORTER_LIFE_POOL_H
#define REPORTER_LIFE_POOL_H

#include "life.h"

/*
 * A law: with the probability 'weight' the cumulative hazard to an age t is L (t / unit)^shape, L being of a
 * gamma law of shape k and rate r.
 */
enum { LIFE_PARTS = 15, LIFE_SCORES = 25 };
struct life_part {
    double weight, shape, k, r;
    double log_rate[LIFE_SCORES]; /* quantiles of log L at normal scores from -3 to 3 */
};
struct life_law {
    double log_unit;
    size_t count;
    struct life_part *parts;
};

struct life_group_lives {
    const struct lifetime *lives;
    size_t count;
};

/*
 * Laws of n groups; models[i] comes as life_fit has it and is given its law. Where it had too few failures
 * (below LIFE_OWN_FAILURES) it takes shape, scale and their limits from the law, as method LIFE_POOLED. Does
 * nothing where no group has a failure. newcomer: of a group that was never seen.
 */
#define LIFE_OWN_FAILURES 5.0
void life_pool(const struct life_group_lives *groups, size_t n, double assumed_shape, struct arena *mem,
               struct life_model *models, struct life_model *newcomer);

/* P(fails in (age, age + h] | alive at age), and its 95 % limits. */
double life_law_conditional(const struct life_law *law, double age, double h);
void life_law_limits(const struct life_law *law, double age, double h, double limits[2]);

#endif
