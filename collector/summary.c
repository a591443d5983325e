#include "summary.h"

#include "base/clock.h"

#include <math.h>
#include <stdlib.h>

#define NONE ((double)NAN)

struct weighted {
    double value;
    int64_t weight_us;
};

static int by_value(const void *left, const void *right)
{
    const struct weighted *a = left, *b = right;
    return (a->value > b->value) - (a->value < b->value);
}

/*
 * The value below and above which lies half of the weight; the mean of two neighbours when the half falls
 * between them. Sorts its input.
 */
static double weighted_median(struct weighted *w, size_t count, int64_t total_us)
{
    qsort(w, count, sizeof *w, by_value);
    int64_t below = 0;
    for (size_t k = 0; k + 1 < count; k++) {
        below += w[k].weight_us;
        if (2 * below > total_us)
            return w[k].value;
        if (2 * below == total_us)
            return (w[k].value + w[k + 1].value) / 2;
    }
    return w[count - 1].value;
}

/* 1.4826 makes the median absolute deviation of normal data estimate their standard deviation (1 / 0.6745).
 */
static const double MAD_TO_SIGMA = 1.4826;

static void running_figures(struct day_figures *f, struct weighted *w, size_t count)
{
    int64_t total_us = 0;
    double sum = 0;
    for (size_t k = 0; k < count; k++) {
        total_us += w[k].weight_us;
        sum += w[k].value * (double)w[k].weight_us;
    }
    f->mean = sum / (double)total_us;
    f->median = weighted_median(w, count, total_us);
    for (size_t k = 0; k < count; k++)
        w[k].value = fabs(w[k].value - f->median);
    f->spread = MAD_TO_SIGMA * weighted_median(w, count, total_us);
}

static void count_reading(struct day_figures *f, int32_t milli_rpm)
{
    if (milli_rpm == RPM_UNAVAILABLE) {
        f->unavailable++;
        return;
    }
    double rpm = milli_rpm / 1000.0;
    if (milli_rpm == 0)
        f->zero++;
    else
        f->min = isnan(f->min) || rpm < f->min ? rpm : f->min;
    f->max = isnan(f->max) || rpm > f->max ? rpm : f->max;
}

struct day_figures summary_of_day(const struct reading *readings, size_t count, int64_t day_start_us,
                                  struct arena *mem)
{
    const struct reading *last = &readings[count - 1];
    struct day_figures f = {
        .readings = (int)count,
        .median = NONE,
        .mean = NONE,
        .min = NONE,
        .max = NONE,
        .spread = NONE,
        .last = last->milli_rpm == RPM_UNAVAILABLE ? NONE : last->milli_rpm / 1000.0,
        .last_us = last->at_us,
    };
    struct weighted *running = arena_array(mem, struct weighted, count);
    size_t n = 0;
    int64_t covered_us = 0;
    for (size_t k = 0; k < count; k++) {
        const struct reading *r = &readings[k];
        int64_t until_us = k + 1 < count ? readings[k + 1].at_us : day_start_us + US_PER_DAY;
        count_reading(&f, r->milli_rpm);
        if (r->milli_rpm == RPM_UNAVAILABLE || until_us == r->at_us)
            continue;
        covered_us += until_us - r->at_us;
        if (r->milli_rpm > 0)
            running[n++] = (struct weighted){r->milli_rpm / 1000.0, until_us - r->at_us};
    }
    f.covered_s = (int)(covered_us / US_PER_S);
    if (n)
        running_figures(&f, running, n);
    return f;
}
