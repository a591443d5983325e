/*
 * Sums of powers of many ages: of w x^shape, and of the same times log x and (log x)^2. With them the
 * likelihood of a Weibull law and its slopes are known at any scale. The inside of life.c; ages come as logs.
 *
 * Thousands of ages are gathered into narrow cells of log age with the moments within each, so that a further
 * shape costs a walk over the cells and not over the ages; the sums keep 13 digits or more.
 */
#ifndef REPORTER_LIFE_POWERS_H
#define REPORTER_LIFE_POWERS_H

#include "base/arena.h"

enum { LIFE_MOMENTS = 11 };

struct life_powers {
    size_t count;
    double *log_age, *weight;
    size_t cell_count; /* 0: not gathered */
    double (*cells)[LIFE_MOMENTS];
};

/* Room for so many ages. */
void life_powers_init(struct life_powers *p, size_t most, struct arena *mem);
void life_powers_add(struct life_powers *p, double log_age, double weight);
/* After the last age; none may be above 1 (log 0). */
void life_powers_gather(struct life_powers *p, struct arena *mem);
/* sums[k]: of weight * age^shape * log(age)^k. */
void life_powers_at(const struct life_powers *p, double shape, double sums[3]);

#endif
