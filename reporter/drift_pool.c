#include "drift.h"
#include "numeric.h"
#include "trend.h"

#include <math.h>

/*
 * Before any fan is seen: one in fifty falls, and loses a tenth of its speed in 50 days, give or take. Each
 * assumption weighs as much as a few fans.
 */
const struct drift_law drift_assumed = {
    .noise = 0.001,
    .steady_sd = 1e-4,
    .steady_diffusion = 2e-4,
    .falling_mean = 0.002,
    .falling_sd = 0.001,
    .falling_diffusion = 1e-3,
    .restless = 0.05,
    .leaning = 0.05,
    .share = 0.02,
};
static const double ASSUMED_FANS = 50, ASSUMED_FALLS = 4;

/* Nothing is known better than this, however many fans agree. */
static const double LEAST_NOISE = 3e-4, LEAST_STEADY_SD = 3e-5, LEAST_DIFFUSION = 1e-4;
/* Slower than a tenth in 100 days is no fall but a steady fan's own drift; the law of falls keeps off from
 * that. */
static const double LEAST_FALL = 1e-3, LEAST_FALL_SD = 0.25, MOST_FALL_SD = 0.6; /* of the mean */

enum { MOST_SERIES = 2000, ROUNDS = 5 };

/*
 * The middle of three values against the line between its neighbours, on the law's clock: its variance is
 * 'of_noise' times that of the noise and 'of_way' times that of the movement a day (a Brownian bridge).
 * Values that are the middle of a span have moved less: for means of neighbouring spans by a quarter of a
 * span.
 */
struct bridge {
    double rest, of_noise, of_way;
};

static struct bridge bridge_of(const double at[3], const double value[3], double span)
{
    double first = (at[2] - at[1]) / (at[2] - at[0]), last = 1 - first;
    double whole = (at[1] - at[0]) * (at[2] - at[1]) / (at[2] - at[0]);
    return (struct bridge){value[1] - first * value[0] - last * value[2], 1 + first * first + last * last,
                           fmax(whole / 4, whole - span / 4)};
}

/* Robust variance of the bridges that span 'lag' values to each side, and how much of it is movement of a
 * day; all over what the noise counts for. */
static double bridge_variance(const struct drift_series *series, size_t n, size_t lag, double *of_way,
                              struct arena *mem)
{
    double *size = arena_array(mem, double, n *DRIFT_VALUES), sum = 0;
    size_t count = 0;

    for (size_t i = 0; i < n; i++)
        for (size_t k = lag; k + lag < series[i].n; k++) {
            const double *at = series[i].days + k, *value = series[i].lost + k;
            struct bridge b =
                bridge_of((double[]){at[-(ptrdiff_t)lag], at[0], at[lag]},
                          (double[]){value[-(ptrdiff_t)lag], value[0], value[lag]}, series[i].span);
            sum += b.of_way / b.of_noise;
            size[count++] = fabs(b.rest) / sqrt(b.of_noise);
        }
    *of_way = sum / (double)count;
    double scale = TREND_MAD_SCALE * trend_median(size, count, mem);
    return scale * scale; /* NAN without any */
}

/* Noise and movement of the many, which are steady: short bridges hold mostly noise, long ones both. */
static void pool_noise(struct drift_law *law, const struct drift_series *series, size_t n, struct arena *mem)
{
    enum { SHORT = 1, LONG = 5 };
    double near_way, far_way;
    double near = bridge_variance(series, n, SHORT, &near_way, mem);
    double far = bridge_variance(series, n, LONG, &far_way, mem);

    if (isnan(near))
        return;
    double way = isnan(far) ? 0 : fmax(0, (far - near) / (far_way - near_way));
    law->noise = fmax(LEAST_NOISE, sqrt(fmax(0, near - way * near_way)));
    law->steady_diffusion = fmax(LEAST_DIFFUSION, sqrt(way));
}

/* What one round of expectation gathers over the series, weighted by how sure each is to fall or to be
 * steady. */
struct round {
    double calm, calm_squares, restless, leaning;
    double falling, drift, drift_squares;
    double bridges, way_squares;
};

static void gather_bridges(struct round *r, const struct drift_law *law, const struct drift_series *s,
                           const struct drift_way *way)
{
    double noise = law->noise * law->noise + s->noise * s->noise;
    double from = s->days[s->n - 1] - way->fallen_days;

    for (size_t k = 1; k + 1 < s->n; k++) {
        double at[3];
        if (s->days[k - 1] < from)
            continue;
        for (size_t i = 0; i < 3; i++)
            at[i] = drift_clock(way->power, s->days[k - 1 + i] - from);
        double rate = (at[2] - at[0]) / (s->days[k + 1] - s->days[k - 1]); /* of the clock */
        struct bridge b = bridge_of(at, s->lost + k - 1, rate * s->span);
        r->bridges += way->weight;
        r->way_squares += way->weight * fmax(0, b.rest * b.rest - b.of_noise * noise) / b.of_way;
    }
}

static void gather(struct round *r, const struct drift_law *law, const struct drift_series *s)
{
    struct drift_way ways[DRIFT_WAYS];
    size_t n = drift_judge(law, s, ways);

    for (size_t i = 0; i < n; i++) {
        const struct drift_state *w = &ways[i].state;
        double off = w->drift - law->falling_mean, weight = ways[i].weight;
        r->restless += ways[i].kind == DRIFT_RESTLESS ? weight : 0;
        r->leaning += ways[i].kind == DRIFT_LEANING ? weight : 0;
        if (ways[i].kind == DRIFT_CALM) {
            r->calm += weight;
            r->calm_squares += weight * (w->drift * w->drift + w->drift_var);
        } else if (ways[i].kind == DRIFT_FALLING) {
            r->falling += weight;
            r->drift += weight * w->drift;
            r->drift_squares += weight * (off * off + w->drift_var);
            gather_bridges(r, law, s, &ways[i]);
        }
    }
}

/* The law that fits what was gathered best, with what was assumed beside it. */
static void maximise(struct drift_law *law, const struct drift_law *assumed, const struct round *r)
{
    double falls = ASSUMED_FALLS + r->falling,
           fans = ASSUMED_FANS + r->calm + r->restless + r->leaning + r->falling;
    double before = law->falling_mean;

    law->share = (ASSUMED_FANS * assumed->share + r->falling) / fans;
    law->restless = (ASSUMED_FANS * assumed->restless + r->restless) / fans;
    law->leaning = (ASSUMED_FANS * assumed->leaning + r->leaning) / fans;
    law->falling_mean = fmax(LEAST_FALL, (ASSUMED_FALLS * assumed->falling_mean + r->drift) / falls);
    double moved = law->falling_mean - before;
    double squares = ASSUMED_FALLS * assumed->falling_sd * assumed->falling_sd + r->drift_squares -
                     moved * moved * r->falling;
    law->falling_sd =
        law->falling_mean *
        fmin(MOST_FALL_SD, fmax(LEAST_FALL_SD, sqrt(fmax(0, squares) / falls) / law->falling_mean));
    law->falling_diffusion =
        sqrt((ASSUMED_FALLS * assumed->falling_diffusion * assumed->falling_diffusion + r->way_squares) /
             (ASSUMED_FALLS + r->bridges));
    law->falling_diffusion = fmax(law->steady_diffusion, law->falling_diffusion);
    law->steady_sd = fmax(LEAST_STEADY_SD,
                          sqrt((ASSUMED_FALLS * assumed->steady_sd * assumed->steady_sd + r->calm_squares) /
                               (ASSUMED_FALLS + r->calm)));
}

/* Of very many series every so manieth is as good as all. */
static void pool(struct drift_law *law, const struct drift_law *assumed, const struct drift_series *series,
                 size_t n)
{
    size_t step = (n + MOST_SERIES - 1) / MOST_SERIES;
    struct round r = {0};

    for (int round = 0; round < ROUNDS; round++) {
        r = (struct round){0};
        for (size_t i = 0; i < n; i += step)
            gather(&r, law, &series[i]);
        maximise(law, assumed, &r);
    }
}

struct drift_law drift_pool(const struct drift_law *assumed, const struct drift_series *series, size_t n,
                            struct arena *mem)
{
    struct drift_law law = *assumed;
    pool_noise(&law, series, n < MOST_SERIES ? n : MOST_SERIES, mem);
    pool(&law, assumed, series, n);
    return law;
}
