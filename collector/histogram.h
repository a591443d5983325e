/*
 * How long things took: counts in fixed steps. Pure.
 */
#ifndef COLLECTOR_HISTOGRAM_H
#define COLLECTOR_HISTOGRAM_H

#include <stdint.h>

enum { HISTOGRAM_STEPS = 10 };

/* Upper bounds in seconds, from 1 ms to 30 s; what lies above them is in 'count' alone. */
extern const double histogram_bounds[HISTOGRAM_STEPS];

struct histogram {
    int64_t within[HISTOGRAM_STEPS]; /* not more than the bound, and more than the one before */
    int64_t count;
    double sum_s;
};

void histogram_add(struct histogram *h, double seconds);

#endif
