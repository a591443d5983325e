#include "trend.h"

#include "numeric.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

/* The k-th smallest (from 0) by Hoare's selection, as Wirth writes it; reorders the array. */
static double select_kth(double *x, size_t n, size_t k)
{
    ptrdiff_t low = 0, high = (ptrdiff_t)n - 1, wanted = (ptrdiff_t)k;

    while (low < high) {
        double pivot = x[wanted];
        ptrdiff_t i = low, j = high;
        do {
            while (x[i] < pivot)
                i++;
            while (pivot < x[j])
                j--;
            if (i <= j) {
                double swap = x[i];
                x[i++] = x[j];
                x[j--] = swap;
            }
        } while (i <= j);
        if (j < wanted)
            low = i;
        if (wanted < i)
            high = j;
    }
    return x[k];
}

/* Reorders the array. */
static double median_of(double *x, size_t n)
{
    if (n == 0)
        return D_NAN;
    double upper = select_kth(x, n, n / 2);
    if (n % 2)
        return upper;
    double lower = x[0];
    for (size_t i = 1; i < n / 2; i++) /* all before n/2 are not above it */
        lower = fmax(lower, x[i]);
    return (lower + upper) / 2;
}

static double *copy_of(const double *x, size_t n, struct arena *mem)
{
    double *copy = arena_array(mem, double, n);
    if (n)
        memcpy(copy, x, n * sizeof *x);
    return copy;
}

double trend_median(const double *x, size_t n, struct arena *mem)
{
    return median_of(copy_of(x, n, mem), n);
}

/* Turns the array into distances from its median; that goes to *median. */
static double mad_of(double *x, size_t n, double *median)
{
    *median = median_of(x, n);
    for (size_t i = 0; i < n; i++)
        x[i] = fabs(x[i] - *median);
    return median_of(x, n);
}

double trend_mad(const double *x, size_t n, struct arena *mem)
{
    double median;
    return mad_of(copy_of(x, n, mem), n, &median);
}

static int sign(double x)
{
    return (x > 0) - (x < 0);
}

/* Sums over the groups of equal values: of t(t-1), t(t-1)(t-2) and t(t-1)(2t+5). */
struct ties {
    double pairs, triples, weighted;
};

static struct ties ties_of(const double *x, size_t n)
{
    struct ties sum = {0};
    for (size_t i = 0; i < n; i++) {
        double alike = 0; /* each member of a group of t adds its t-th part of the group's terms */
        for (size_t j = 0; j < n; j++)
            alike += x[j] == x[i];
        sum.pairs += alike - 1;
        sum.triples += (alike - 1) * (alike - 2);
        sum.weighted += (alike - 1) * (2 * alike + 5);
    }
    return sum;
}

/* Variance of Kendall's S with ties in either variable (Kendall 1975); Mann-Kendall's where x has none. */
static double kendall_variance(const double *x, const double *y, size_t n)
{
    struct ties tx = ties_of(x, n), ty = ties_of(y, n);
    double m = (double)n;

    return (m * (m - 1) * (2 * m + 5) - tx.weighted - ty.weighted) / 18 +
           tx.triples * ty.triples / (9 * m * (m - 1) * (m - 2)) + tx.pairs * ty.pairs / (2 * m * (m - 1));
}

/* Slopes of all pairs with distinct x; S counts the rising ones less the falling ones. */
static size_t pair_slopes(const double *x, const double *y, size_t n, double *slopes, double *s)
{
    size_t pairs = 0;
    *s = 0;
    for (size_t i = 0; i < n; i++)
        for (size_t j = i + 1; j < n; j++) {
            double dx = x[j] - x[i], dy = y[j] - y[i];
            if (dx == 0)
                continue;
            slopes[pairs++] = dy / dx;
            *s += sign(dx) * sign(dy);
        }
    return pairs;
}

/* Sen's limits: the slopes of ranks (from 1) (N - C)/2 and (N + C)/2 + 1, C the half-width of S. */
static void sen_limits(double *slopes, size_t pairs, double half_width, struct slope *out)
{
    double count = (double)pairs;
    double low = fmax(1, nearbyint((count - half_width) / 2));
    double high = fmin(count, nearbyint((count + half_width) / 2 + 1));

    out->lower = select_kth(slopes, pairs, (size_t)low - 1);
    out->upper = select_kth(slopes, pairs, (size_t)high - 1);
}

struct slope trend_slope(const double *x, const double *y, size_t n, double confidence, struct arena *mem)
{
    struct slope out = {D_NAN, D_NAN, D_NAN, D_NAN, D_NAN, D_NAN, D_NAN, D_NAN, n};

    if (n > TREND_MAX_POINTS)
        BUG("%zu points are too many for a trend", n);
    if (n < 3)
        return out;
    double *slopes = arena_array(mem, double, n *(n - 1) / 2);
    size_t pairs = pair_slopes(x, y, n, slopes, &out.s);
    if (pairs == 0)
        return out;
    out.variance = kendall_variance(x, y, n);
    out.z = out.variance > 0 ? (out.s - sign(out.s)) / sqrt(out.variance) : 0;
    out.p = 2 * normal_cdf(-fabs(out.z));
    out.slope = median_of(slopes, pairs);
    sen_limits(slopes, pairs, normal_quantile((1 + confidence) / 2) * sqrt(out.variance), &out);
    double *rest = arena_array(mem, double, n);
    for (size_t i = 0; i < n; i++)
        rest[i] = y[i] - out.slope * x[i];
    out.intercept = median_of(rest, n);
    return out;
}

void trend_ewma(const double *x, size_t n, double weight, double start, double *z)
{
    for (size_t i = 0; i < n; i++)
        z[i] = start = weight * x[i] + (1 - weight) * start;
}

size_t trend_cusum(const double *x, size_t n, double target, double k, double h, double *high, double *low)
{
    size_t first = n;
    for (size_t i = 0; i < n; i++) {
        high[i] = fmax(0, (i ? high[i - 1] : 0) + x[i] - target - k);
        low[i] = fmax(0, (i ? low[i - 1] : 0) + target - k - x[i]);
        if (first == n && (high[i] > h || low[i] > h))
            first = i;
    }
    return first;
}

size_t trend_page_hinkley(const double *x, size_t n, double delta, double lambda, double *statistic)
{
    double mean = 0, sum = 0, least = 0;
    size_t first = n;
    for (size_t i = 0; i < n; i++) {
        mean += (x[i] - mean) / (double)(i + 1);
        sum += x[i] - mean - delta;
        least = fmin(least, sum);
        statistic[i] = sum - least;
        if (first == n && statistic[i] > lambda)
            first = i;
    }
    return first;
}

size_t trend_hampel(double *x, size_t n, int half, double limit, double resolution, struct arena *mem)
{
    size_t k = (size_t)half, width = 2 * k + 1, replaced = 0;
    double *original = copy_of(x, n, mem), *window = arena_array(mem, double, width);

    for (size_t i = k; i + k < n; i++) {
        double median;
        memcpy(window, original + i - k, width * sizeof *window);
        double scaled = fmax(TREND_MAD_SCALE * mad_of(window, width, &median), resolution);
        if (fabs(original[i] - median) > limit * scaled) {
            x[i] = median;
            replaced++;
        }
    }
    return replaced;
}
