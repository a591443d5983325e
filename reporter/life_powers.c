#include "life_powers.h"

#include <math.h>

/* Cells of 1/256 in log age; up to shape 64 a term of the series within one is at most an eighth of the one
 * before it, and the first that is left out is below 1e-13 of the sum. */
enum { CELLS_TO_ONE = 256, FEWEST_TO_GATHER = 4096 };
static const double largest_shape = 64;

void life_powers_init(struct life_powers *p, size_t most, struct arena *mem)
{
    *p = (struct life_powers){.log_age = arena_array(mem, double, most),
                              .weight = arena_array(mem, double, most)};
}

void life_powers_add(struct life_powers *p, double log_age, double weight)
{
    p->log_age[p->count] = log_age;
    p->weight[p->count++] = weight;
}

static double center_of(size_t cell)
{
    return -((double)cell + 0.5) / CELLS_TO_ONE;
}

static size_t cell_of(double log_age)
{
    return log_age < 0 ? (size_t)(-log_age * CELLS_TO_ONE) : 0;
}

void life_powers_gather(struct life_powers *p, struct arena *mem)
{
    double lowest = 0;
    if (p->count < FEWEST_TO_GATHER)
        return;
    for (size_t i = 0; i < p->count; i++)
        lowest = fmin(lowest, p->log_age[i]);
    p->cell_count = cell_of(lowest) + 1;
    p->cells = arena_alloc(mem, p->cell_count * sizeof *p->cells);
    for (size_t i = 0; i < p->count; i++) {
        size_t at = cell_of(p->log_age[i]);
        double u = p->log_age[i] - center_of(at), term = p->weight[i], *moment = p->cells[at];
        for (int k = 0; k < LIFE_MOMENTS; k++) {
            moment[k] += term;
            term *= u;
        }
    }
}

static void sum_ages(const struct life_powers *p, double shape, double sums[3])
{
    for (size_t i = 0; i < p->count; i++) {
        double x = p->log_age[i], h = p->weight[i] * exp(shape * x);
        sums[0] += h;
        sums[1] += h * x;
        sums[2] += h * x * x;
    }
}

/* exp(shape u) as its series: shape^k / k! times the k-th moment of u. */
static void sum_cells(const struct life_powers *p, double shape, double sums[3])
{
    double factor[LIFE_MOMENTS - 2] = {1};
    for (int k = 1; k < LIFE_MOMENTS - 2; k++)
        factor[k] = factor[k - 1] * shape / k;
    for (size_t i = 0; i < p->cell_count; i++) {
        const double *moment = p->cells[i], center = center_of(i);
        double s0 = 0, s1 = 0, s2 = 0;
        for (int k = 0; k < LIFE_MOMENTS - 2; k++) {
            s0 += factor[k] * moment[k];
            s1 += factor[k] * moment[k + 1];
            s2 += factor[k] * moment[k + 2];
        }
        double h = exp(shape * center);
        sums[0] += h * s0;
        sums[1] += h * (center * s0 + s1);
        sums[2] += h * (center * (center * s0 + 2 * s1) + s2);
    }
}

void life_powers_at(const struct life_powers *p, double shape, double sums[3])
{
    sums[0] = sums[1] = sums[2] = 0;
    if (p->cell_count && shape <= largest_shape)
        sum_cells(p, shape, sums);
    else
        sum_ages(p, shape, sums);
}
