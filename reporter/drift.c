#include "drift.h"

#include "numeric.h"
#include "trend_passage.h"

#include <math.h>
#include <stdlib.h>

/* Ways of less weight are left out. */
static const double LEAST_WEIGHT = 1e-3;
/* A fall may have begun before the series: so many days before its first value. */
static const double BEFORE_DAYS[DRIFT_BEFORE] = {25, 75};

/* Fans lose their speed evenly, or ever faster. */
static const double POWERS[DRIFT_POWERS] = {1, 2};
/* Drifts of leaning fans lie between those of calm ones and those of falling ones: sd over the latter's mean.
 */
static const double LEANING_SD = 0.2;

struct drift_state drift_start(double level, double level_sd, double drift, double drift_sd)
{
    return (struct drift_state){.level = level,
                                .drift = drift,
                                .level_var = level_sd * level_sd,
                                .drift_var = drift_sd * drift_sd,
                                .variances = 1};
}

void drift_pass(struct drift_state *s, double days, double diffusion)
{
    s->level += s->drift * days;
    s->level_var += 2 * s->covariance * days + s->drift_var * days * days + diffusion * diffusion * days;
    s->covariance += s->drift_var * days;
}

void drift_see(struct drift_state *s, double value, double noise)
{
    double variance = s->level_var + noise * noise, off = value - s->level;

    s->squares += off * off / variance;
    s->variances *= variance; /* a logarithm of each would cost more than all the rest */
    double of_level = s->level_var / variance, of_drift = s->covariance / variance;
    s->level += of_level * off;
    s->drift += of_drift * off;
    s->drift_var -= of_drift * s->covariance;
    s->covariance -= of_drift * s->level_var;
    s->level_var -= of_level * s->level_var;
}

double drift_log_likelihood(const struct drift_state *s)
{
    return -(log(s->variances) + s->squares) / 2;
}

/* Five points stand for a normal law (Gauss-Hermite). */
enum { POINTS = 5 };
static const double point[POINTS] = {-2.8569700138728, -1.3556261799742, 0, 1.3556261799742, 2.8569700138728};
static const double point_weight[POINTS] = {0.0112574113277, 0.2220759220056, 0.5333333333334,
                                            0.2220759220056, 0.0112574113277};

/* Probability that the limit is reached when the distance lies some standard deviations off. */
struct distance {
    double mean, sd;
    double along, drift_sd; /* how the drift moves with the distance, and what it is unsure by beside that */
};

static double reach_from(const struct drift_state *s, const struct distance *d, double deviations,
                         double diffusion, double days)
{
    double off = deviations * d->sd;
    return trend_passage_unsure_cdf(days, d->mean + off, s->drift - d->along * off, d->drift_sd, diffusion);
}

double drift_reach(const struct drift_state *s, double limit, double limit_sd, double diffusion, double days)
{
    static const double FEW = 0.5, FINEST = 0.05, OUTERMOST = 4.5;
    struct distance d = {limit - s->level, sqrt(s->level_var + limit_sd * limit_sd), 0, sqrt(s->drift_var)};
    double sum = 0;

    if (!(d.sd > 0))
        return reach_from(s, &d, 0, diffusion, days);
    d.along = s->covariance / (d.sd * d.sd);
    d.drift_sd = sqrt(fmax(0, s->drift_var - d.along * s->covariance));
    /* How steeply the probability rises with the distance decides by how many points the law is stood for. */
    double steepness = d.sd * (1 + d.along * days) / hypot(diffusion * sqrt(days), d.drift_sd * days);
    if (steepness < FEW) {
        for (int i = 0; i < POINTS; i++)
            sum += point_weight[i] * reach_from(s, &d, point[i], diffusion, days);
        return fmin(1, sum);
    }
    double step = fmax(FINEST, FEW / steepness);
    for (double z = -OUTERMOST; z < OUTERMOST + step; z += step)
        sum += step * normal_density(z) * reach_from(s, &d, z, diffusion, days);
    return fmin(1, sum);
}

double drift_clock(double power, double days)
{
    if (power == 1)
        return days;
    return power == 2 ? days * days / DRIFT_CLOCK_DAYS
                      : DRIFT_CLOCK_DAYS * pow(days / DRIFT_CLOCK_DAYS, power);
}

/* How fast the clock of a way goes. */
static double clock_rate(const struct drift_way *way)
{
    return way->power == 1 ? 1 : way->power * pow(way->fallen_days / DRIFT_CLOCK_DAYS, way->power - 1);
}

/* Days that a way's clock goes on while some days pass. */
static double clock_days(const struct drift_way *way, double days)
{
    if (way->power == 1)
        return days;
    return drift_clock(way->power, way->fallen_days + days) - drift_clock(way->power, way->fallen_days);
}

/* Falls from value 'at' on, at which it stands as if steady so far, and has fallen 'before' days already. */
static struct drift_way fall(const struct drift_law *law, const struct drift_series *s, size_t at,
                             const struct drift_state *so_far, double before, double power)
{
    double noise = hypot(law->noise, s->noise), clock = drift_clock(power, before);
    struct drift_way way = {
        .kind = DRIFT_FALLING, .state = *so_far, .power = power, .diffusion = law->falling_diffusion};

    way.state.drift = law->falling_mean;
    way.state.drift_var = law->falling_sd * law->falling_sd;
    way.state.covariance = 0;
    for (size_t k = at + 1; k < s->n; k++) {
        double next = drift_clock(power, before + s->days[k] - s->days[at]);
        drift_pass(&way.state, next - clock, law->falling_diffusion);
        drift_see(&way.state, s->lost[k], noise);
        clock = next;
    }
    way.fallen_days = before + s->days[s->n - 1] - s->days[at];
    return way;
}

/* Likelihoods to weights; drops ways that have next to none, but not the first. */
static size_t weigh(struct drift_way *ways, size_t n)
{
    double most = -D_INF, sum = 0;
    double share[DRIFT_WAYS];
    size_t left = 0;

    for (size_t i = 0; i < n; i++) {
        share[i] = log(ways[i].weight) + drift_log_likelihood(&ways[i].state);
        most = fmax(most, share[i]);
    }
    for (size_t i = 0; i < n; i++) {
        ways[i].weight = exp(share[i] - most);
        sum += ways[i].weight;
    }
    double kept = 0;
    for (size_t i = 0; i < n; i++)
        if (i == 0 || ways[i].weight >= LEAST_WEIGHT * sum) {
            kept += ways[i].weight;
            ways[left++] = ways[i];
        }
    for (size_t i = 0; i < left; i++)
        ways[i].weight /= kept;
    return left;
}

/* Goes on as it began up to the last value; the state at each on the way. */
static struct drift_way stay(const struct drift_law *law, const struct drift_series *s, enum drift_kind kind,
                             struct drift_state *at)
{
    double noise = hypot(law->noise, s->noise);
    double drift_sd = kind == DRIFT_LEANING ? LEANING_SD * law->falling_mean : law->steady_sd;
    double diffusion = kind == DRIFT_RESTLESS ? law->falling_diffusion : law->steady_diffusion;
    struct drift_state now = drift_start(s->lost[0], noise, 0, drift_sd);

    at[0] = now;
    for (size_t k = 1; k < s->n; k++) {
        drift_pass(&now, s->days[k] - s->days[k - 1], diffusion);
        drift_see(&now, s->lost[k], noise);
        at[k] = now;
    }
    return (struct drift_way){.kind = kind, .state = now, .power = 1, .diffusion = diffusion};
}

size_t drift_judge(const struct drift_law *law, const struct drift_series *s,
                   struct drift_way ways[DRIFT_WAYS])
{
    struct drift_state calm[DRIFT_VALUES], other[DRIFT_VALUES];
    size_t n = 0;

    ways[n++] = stay(law, s, DRIFT_CALM, calm);
    ways[n++] = stay(law, s, DRIFT_RESTLESS, other);
    ways[n++] = stay(law, s, DRIFT_LEANING, other);
    const size_t falls = n;
    for (int p = 0; p < DRIFT_POWERS && s->n > 1; p++) {
        for (int i = 0; i < DRIFT_BEFORE; i++)
            ways[n++] = fall(law, s, 0, &calm[0], BEFORE_DAYS[i], POWERS[p]);
        for (size_t k = 0; k + 1 < s->n; k++)
            ways[n++] = fall(law, s, k, &calm[k], 0, POWERS[p]);
    }
    ways[0].weight = 1 - law->restless - law->leaning - law->share;
    ways[1].weight = law->restless;
    ways[2].weight = law->leaning;
    for (size_t i = falls; i < n; i++)
        ways[i].weight = law->share / (double)(n - falls);
    return weigh(ways, n);
}

double drift_moving(const struct drift_way *ways, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += ways[i].kind >= DRIFT_LEANING ? ways[i].weight : 0;
    return sum;
}

void drift_wait(struct drift_way *ways, size_t n, double days)
{
    for (size_t i = 0; i < n; i++) {
        drift_pass(&ways[i].state, clock_days(&ways[i], days), ways[i].diffusion);
        ways[i].fallen_days += ways[i].kind == DRIFT_FALLING ? days : 0;
    }
}

double drift_chance(const struct drift_way *ways, size_t n, double limit, double limit_sd, double days)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += ways[i].weight *
               drift_reach(&ways[i].state, limit, limit_sd, ways[i].diffusion, clock_days(&ways[i], days));
    return fmin(1, sum);
}

struct weighted {
    double value, weight;
};

static int by_value(const void *a, const void *b)
{
    const struct weighted *x = a, *y = b;
    return (x->value > y->value) - (x->value < y->value);
}

void drift_chance_limits(const struct drift_way *ways, size_t n, double limit, double limit_sd, double days,
                         double limits[2])
{
    struct weighted p[DRIFT_WAYS * POINTS];
    double below = 0;

    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < POINTS; k++) {
            struct drift_state s = ways[i].state;
            double off = point[k] * sqrt(s.drift_var);
            s.level += s.drift_var > 0 ? off * s.covariance / s.drift_var : 0;
            s.level_var -= s.drift_var > 0 ? s.covariance * s.covariance / s.drift_var : 0;
            s.level_var = fmax(0, s.level_var);
            s.drift += off;
            s.drift_var = s.covariance = 0;
            p[i * POINTS + k].value =
                drift_reach(&s, limit, limit_sd, ways[i].diffusion, clock_days(&ways[i], days));
            p[i * POINTS + k].weight = ways[i].weight * point_weight[k];
        }
    qsort(p, n * POINTS, sizeof *p, by_value);
    limits[0] = limits[1] = p[0].value;
    for (size_t i = 0; i < n * POINTS; below += p[i++].weight)
        for (int side = 0; side < 2; side++)
            if (below < (side ? 0.9 : 0.1))
                limits[side] = p[i].value;
}

/* One of the normal laws of which a mixture is made. */
struct part {
    double weight, mean, sd;
};

static double parts_cdf(const struct part *parts, size_t n, double x)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += parts[i].weight * normal_cdf((x - parts[i].mean) / parts[i].sd);
    return sum;
}

static double parts_quantile(const struct part *parts, size_t n, double p)
{
    enum { ROUNDS = 60 };
    double low = D_INF, high = -D_INF, z = normal_quantile(p);

    for (size_t i = 0; i < n; i++) { /* the mixture's lies between those of its parts */
        low = fmin(low, parts[i].mean + z * parts[i].sd);
        high = fmax(high, parts[i].mean + z * parts[i].sd);
    }
    for (int i = 0; i < ROUNDS && high > low; i++) {
        double middle = (low + high) / 2;
        if (parts_cdf(parts, n, middle) < p)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

double drift_lost_quantile(const struct drift_way *ways, size_t n, double days, double p)
{
    struct part parts[DRIFT_WAYS];
    for (size_t i = 0; i < n; i++) {
        struct drift_state s = ways[i].state;
        drift_pass(&s, clock_days(&ways[i], days), ways[i].diffusion);
        parts[i] = (struct part){ways[i].weight, s.level, sqrt(s.level_var)};
    }
    return parts_quantile(parts, n, p);
}

static void rates_of(const struct drift_way *ways, size_t n, struct part *parts)
{
    for (size_t i = 0; i < n; i++) {
        double rate = clock_rate(&ways[i]);
        parts[i] =
            (struct part){ways[i].weight, rate * ways[i].state.drift, rate * sqrt(ways[i].state.drift_var)};
    }
}

double drift_rate_cdf(const struct drift_way *ways, size_t n, double rate)
{
    struct part parts[DRIFT_WAYS];
    rates_of(ways, n, parts);
    return parts_cdf(parts, n, rate);
}

double drift_rate_quantile(const struct drift_way *ways, size_t n, double p)
{
    struct part parts[DRIFT_WAYS];
    rates_of(ways, n, parts);
    return parts_quantile(parts, n, p);
}
