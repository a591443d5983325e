#include "histogram.h"

const double histogram_bounds[HISTOGRAM_STEPS] = {0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30};

void histogram_add(struct histogram *h, double seconds)
{
    h->count++;
    h->sum_s += seconds;
    for (int k = 0; k < HISTOGRAM_STEPS; k++) {
        if (seconds <= histogram_bounds[k]) {
            h->within[k]++;
            return;
        }
    }
}
