/*
 * Ends of likelihood-ratio intervals. The inside of life.c and life_regression.c.
 */
#ifndef REPORTER_LIFE_LIMITS_H
#define REPORTER_LIFE_LIMITS_H

#include <stdbool.h>

/*
 * Goes to a distance from the maximum along one parameter, the others at their best there. *drop is how far
 * the log-likelihood has fallen, *slope how fast it falls with the distance; false where there is no maximum.
 */
typedef bool life_walk_fn(void *context, double distance, double *drop, double *slope);

/* The distance at which a 95 % interval ends, the search beginning at about 'se' times 2; NAN: nowhere. */
double life_limit(life_walk_fn *walk, void *context, double se);

#endif
