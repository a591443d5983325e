#include "distribution.h"

#include "numeric.h"

#include <math.h>

/* What is cut off the upper tail of one result, and what is set to nothing below: far under the 1e-12 that
 * the contract allows, so that a sum of a million stays within it. */
#define TAIL 1e-18

double distribution_mean(const struct distribution *d)
{
    double mean = 0;
    for (size_t k = 1; k < d->size; k++)
        mean += (double)k * d->p[k];
    return mean;
}

double distribution_at_most(const struct distribution *d, int k)
{
    double below = 0, above = 0;

    if (k < 0)
        return 0;
    for (size_t i = 0; i < d->size && i <= (size_t)k; i++)
        below += d->p[i];
    for (size_t i = (size_t)k + 1; i < d->size; i++)
        above += d->p[i];
    return above < below ? 1 - above : below; /* from the side with the smaller error */
}

int distribution_quantile(const struct distribution *d, double q)
{
    double above = 0;
    size_t k = d->size - 1;

    /* From the far end: the largest k with P(N >= k) > 1 - q. Rounding must not push a quantile up. */
    while (k > 0 && above + d->p[k] <= (1 - q) + 1e-14)
        above += d->p[k--];
    return (int)k;
}

/* Folds a tail below TAIL into the last value that is kept. */
static void trim(struct distribution *d)
{
    double tail = 0;
    while (d->size > 1 && tail + d->p[d->size - 1] < TAIL)
        tail += d->p[--d->size];
    d->p[d->size - 1] += tail;
}

/* Where the distribution begins to matter. */
static size_t first_of(const struct distribution *d)
{
    size_t first = 0;
    while (first + 1 < d->size && d->p[first] < TAIL)
        first++;
    return first;
}

struct distribution distribution_sum(const struct distribution *a, const struct distribution *b,
                                     struct arena *mem)
{
    struct distribution sum = {arena_array(mem, double, a->size + b->size - 1), a->size + b->size - 1};
    size_t first_a = first_of(a), first_b = first_of(b);

    for (size_t i = first_a; i < a->size; i++)
        for (size_t j = first_b; j < b->size; j++)
            sum.p[i + j] += a->p[i] * b->p[j];
    trim(&sum);
    return sum;
}

static struct distribution certain(int k, struct arena *mem)
{
    struct distribution d = {arena_array(mem, double, (size_t)k + 1), (size_t)k + 1};
    d.p[k] = 1;
    return d;
}

struct distribution distribution_sum_all(struct distribution *list, size_t n, struct arena *mem)
{
    if (n == 0)
        return certain(0, mem);
    for (; n > 1; n = (n + 1) / 2)
        for (size_t i = 0; i < (n + 1) / 2; i++)
            list[i] = 2 * i + 1 < n ? distribution_sum(&list[2 * i], &list[2 * i + 1], mem) : list[2 * i];
    return list[0];
}

struct distribution distribution_of_events(const double *p, size_t n, struct arena *mem)
{
    struct distribution *list = arena_array(mem, struct distribution, n);
    double *values = arena_array(mem, double, 2 * n);

    for (size_t i = 0; i < n; i++) {
        values[2 * i] = 1 - p[i];
        values[2 * i + 1] = p[i];
        list[i] = (struct distribution){values + 2 * i, 2};
    }
    return distribution_sum_all(list, n, mem);
}

struct distribution distribution_of_counts(double mean, double variance, struct arena *mem)
{
    size_t room = 32;
    struct distribution d = {arena_array(mem, double, room), 0};
    double sum = 0, p = 0;

    do {
        if (d.size == room) {
            d.p = arena_grow(mem, d.p, room, 2 * room, sizeof *d.p);
            room *= 2;
        }
        p = count_probability((int)d.size, mean, variance);
        d.p[d.size++] = p;
        sum += p;
    } while ((double)d.size <= mean || p > TAIL);
    d.p[d.size - 1] += fmax(0, 1 - sum);
    return d;
}

struct distribution distribution_mixture(const struct distribution *list, const double *weights, size_t n,
                                         struct arena *mem)
{
    size_t size = 1;
    for (size_t i = 0; i < n; i++)
        size = list[i].size > size ? list[i].size : size;

    struct distribution d = {arena_array(mem, double, size), size};
    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < list[i].size; k++)
            d.p[k] += weights[i] * list[i].p[k];
    return d;
}
