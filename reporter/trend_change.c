#include "trend_change.h"

#include "numeric.h"

#include <math.h>

/* Sums over the first points, by which the squares of any segment are known at once. */
struct sums {
    double n, x, y, xx, xy, yy;
};

struct line {
    double at_x, level, slope, squares; /* level at the mean of x */
};

static struct line line_of(const struct segments *how, const struct sums *sums, size_t from, size_t to)
{
    const struct sums *a = &sums[from], *b = &sums[to];
    double n = b->n - a->n, x = b->x - a->x, y = b->y - a->y;
    double xx = b->xx - a->xx - x * x / n, xy = b->xy - a->xy - x * y / n, yy = b->yy - a->yy - y * y / n;
    double slope = how->sloped && xx > 0 ? xy / xx : 0;
    return (struct line){x / n, y / n, slope, fmax(0, yy - slope * xy)};
}

static struct sums *sum_up(const double *x, const double *y, size_t n, struct arena *mem)
{
    struct sums *sums = arena_array(mem, struct sums, n + 1);
    for (size_t i = 0; i < n; i++) {
        double u = x[i] - x[0], v = y[i] - y[0]; /* small numbers keep their digits */
        sums[i + 1] = (struct sums){sums[i].n + 1,      sums[i].x + u,      sums[i].y + v,
                                    sums[i].xx + u * u, sums[i].xy + u * v, sums[i].yy + v * v};
    }
    return sums;
}

size_t trend_segments(const struct segments *how, const double *x, const double *y, size_t n, size_t *from,
                      struct arena *mem)
{
    const struct sums *sums = sum_up(x, y, n, mem);
    double *cost = arena_array(mem, double, n + 1);
    size_t *begin = arena_array(mem, size_t, n + 1), count = 0;

    for (size_t to = 1; to <= n; to++) {
        cost[to] = D_INF;
        for (size_t at = 0; at < to; at++) {
            if (to - at < how->least && !(at == 0 && n < how->least))
                break;
            double whole =
                cost[at] + how->penalty + line_of(how, sums, at, to).squares / (how->noise * how->noise);
            if (whole < cost[to]) {
                cost[to] = whole;
                begin[to] = at;
            }
        }
    }
    for (size_t to = n; to > 0; to = begin[to])
        count++;
    for (size_t to = n, k = count; to > 0; to = begin[to])
        from[--k] = begin[to];
    return count;
}

static double value_at(const struct line *l, double x, double x0, double y0)
{
    return y0 + l->level + l->slope * (x - x0 - l->at_x);
}

struct step trend_last_step(const struct segments *how, const double *x, const double *y, size_t n,
                            double least, struct arena *mem)
{
    size_t *from = arena_array(mem, size_t, n);
    size_t count = trend_segments(how, x, y, n, from, mem), end = n;
    const struct sums *sums = sum_up(x, y, n, mem);

    for (size_t k = count; k-- > 1; end = from[k]) {
        struct line earlier = line_of(how, sums, from[k - 1], from[k]),
                    later = line_of(how, sums, from[k], end);
        double middle = (x[from[k] - 1] + x[from[k]]) / 2;
        struct step s = {from[k], value_at(&earlier, middle, x[0], y[0]),
                         value_at(&later, middle, x[0], y[0])};
        if (fabs(s.after - s.before) >= least)
            return s;
    }
    return (struct step){0, D_NAN, D_NAN};
}
