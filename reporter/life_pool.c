#include "life_pool.h"

#include "life_likelihood.h"
#include "life_mixing.h"
#include "numeric.h"

#include <stdint.h>

enum { NODES = LIFE_PARTS };
#define LIFE_MOST_SCORE 3.0
/* The scores next to the ends of a 95 % interval: -2 and 2. */
enum { LIFE_SCORE_LOWER = 4, LIFE_SCORE_UPPER = LIFE_SCORES - 1 - LIFE_SCORE_LOWER };
static const double reach = 3.8;            /* nodes of a log shape go so many standard deviations out */
static const double prior_sd = 0.5;         /* of the common log shape around the assumed one */
static const double usual_between = 0.0625; /* variance between groups' log shapes where few are known */
static const double least_between = 0.01;
static const double least_weight = 1e-5;

/* One group while the laws are made; ages in units of the pool. */
struct member {
    struct life_data d;
    double log_ratio; /* of the unit of its data to that of the pool */
    bool has_shape;   /* an estimate of its own: log shape and variance */
    double s, variance;
    double center, sd; /* of its nodes */
    double prior_mean, prior_variance;
    struct mixing_group counts; /* at the center */
};

struct pool {
    struct arena *mem, *scratch; /* of the laws; of all else */
    struct member *members;
    size_t n;
    double log_unit, assumed;
    struct mixing_point points[MIXING_POINTS];
};

static double sum_of_logs(const struct life_data *d)
{
    double sum = d->sum_log + d->exact * d->log_unit;
    for (size_t i = 0; i < d->intervals; i++)
        sum += d->interval_weight[i] * (d->log_high[i] + d->log_unit);
    return sum;
}

static double gain_within(const struct life_data *d, size_t i, double shape, double log_ratio)
{
    double low = exp(shape * (d->log_low[i] + log_ratio)), high = exp(shape * (d->log_high[i] + log_ratio));
    return high - low;
}

/* Failures and exposure of a group at a shape. A failure between two looks counts as one in the middle of
 * its cumulative hazard. */
static struct mixing_group counts_at(const struct member *m, double s)
{
    double shape = exp(s);
    struct mixing_group g = {m->d.failures, life_exposure(&m->d, shape) * exp(shape * m->log_ratio)};
    for (size_t i = 0; i < m->d.intervals; i++)
        g.exposure += m->d.interval_weight[i] * gain_within(&m->d, i, shape, m->log_ratio) / 2;
    return g;
}

/* What of the log-likelihood depends on the shape alone. */
static double shape_part(const struct member *m, double s)
{
    double shape = exp(s), l = m->d.exact * s + (shape - 1) * (m->d.sum_log + m->d.exact * m->log_ratio);
    for (size_t i = 0; i < m->d.intervals; i++)
        l += m->d.interval_weight[i] * log(gain_within(&m->d, i, shape, m->log_ratio));
    return l;
}

/* What the other groups say of a group's log shape. */
static void set_shape_prior(const struct pool *p, size_t own, double between, double *mean, double *variance)
{
    double weight = 1 / (prior_sd * prior_sd), sum = weight * log(p->assumed);
    for (size_t i = 0; i < p->n; i++)
        if (i != own && p->members[i].has_shape) {
            double w = 1 / (p->members[i].variance + between);
            weight += w;
            sum += w * p->members[i].s;
        }
    *mean = sum / weight;
    *variance = 1 / weight + between;
}

static double between_shapes(const struct pool *p)
{
    double *s = arena_array(p->scratch, double, p->n), *v = arena_array(p->scratch, double, p->n);
    size_t n = 0;
    struct shrinkage all;
    for (size_t i = 0; i < p->n; i++)
        if (p->members[i].has_shape) {
            s[n] = p->members[i].s;
            v[n++] = p->members[i].variance;
        }
    if (n < 3)
        return usual_between;
    shrinkage_of(s, v, n, &all);
    return fmax(all.between, least_between);
}

static void set_nodes(struct pool *p)
{
    double between = between_shapes(p);
    for (size_t i = 0; i < p->n; i++) {
        struct member *m = &p->members[i];
        set_shape_prior(p, i, between, &m->prior_mean, &m->prior_variance);
        double weight = 1 / m->prior_variance, own = m->has_shape ? 1 / m->variance : 0;
        m->center = (weight * m->prior_mean + own * (m->has_shape ? m->s : 0)) / (weight + own);
        m->sd = 1 / sqrt(weight + own);
        m->counts = counts_at(m, m->center);
    }
}

/* The k whose gamma law has this variance of its log. */
static double k_of_log_variance(double variance)
{
    enum { STEPS = 60 };
    double low = log(1e-3), high = log(1e12);
    for (int i = 0; i < STEPS; i++) {
        double middle = (low + high) / 2;
        if (gamma_log_bend(exp(middle)) > variance)
            low = middle;
        else
            high = middle;
    }
    return exp((low + high) / 2);
}

/*
 * The law of the rate at one node: what the points say of it gathered into one gamma law with the mean and
 * the variance of its log (those of the rate itself would go by the farthest points alone). Gives the log of
 * the node's weight.
 */
static double part_at(const struct pool *p, const struct member *m, double s, double *borrowed,
                      struct life_part *part)
{
    struct mixing_group g = counts_at(m, s);
    double log_weight[MIXING_POINTS], top = -D_INF, sum = 0, mean = 0, square = 0, slope = 0, bend = 0;

    for (int i = 0; i < MIXING_POINTS; i++) {
        const struct mixing_point *at = &p->points[i];
        log_weight[i] = log(fmax(at->weight, 1e-300)) + mixing_log_likelihood(&g, at->a, at->b) -
                        mixing_log_likelihood(&m->counts, at->a, at->b);
        top = fmax(top, log_weight[i]);
    }
    *borrowed = 0;
    for (int i = 0; i < MIXING_POINTS; i++) {
        const struct mixing_point *at = &p->points[i];
        if (i == 0 || at->a != at[-1].a) {
            slope = gamma_log_slope(at->a + g.events);
            bend = gamma_log_bend(at->a + g.events);
        }
        double w = exp(log_weight[i] - top), r = at->b + g.exposure, log_rate = slope - log(r);
        sum += w;
        mean += w * log_rate;
        square += w * (log_rate * log_rate + bend);
        *borrowed += w * at->b / r;
    }
    *borrowed /= sum;
    mean /= sum;
    part->shape = exp(s);
    part->k = k_of_log_variance(square / sum - mean * mean);
    part->r = exp(gamma_log_slope(part->k) - mean);
    double off = s - m->prior_mean;
    return top + log(sum) + shape_part(m, s) - off * off / (2 * m->prior_variance);
}

/* Quantiles of a gamma law of rate 1, as logs; far down P(k, x) is x^k / gamma(k + 1). */
static double log_gamma_quantile(double p, double k)
{
    double log_x = (log(p) + gamma_log(k + 1)) / k;
    return log_x < -12 ? log_x : log(chi_square_quantile(p, 2 * k) / 2);
}

static double score_at(int i)
{
    return LIFE_MOST_SCORE * (2.0 * i / (LIFE_SCORES - 1) - 1);
}

static void set_scores(struct life_part *part)
{
    for (int i = 0; i < LIFE_SCORES; i++)
        part->log_rate[i] = log_gamma_quantile(normal_cdf(score_at(i)), part->k) - log(part->r);
}

static const struct life_law *law_of(const struct pool *p, const struct member *m, double *borrowed)
{
    struct life_law *law = arena_alloc(p->mem, sizeof *law);
    double weight[NODES], shares[NODES], top = -D_INF, sum = 0;

    *law = (struct life_law){.log_unit = p->log_unit, .parts = arena_array(p->mem, struct life_part, NODES)};
    for (int j = 0; j < NODES; j++) {
        double s = m->center + m->sd * reach * (2.0 * j / (NODES - 1) - 1);
        weight[j] = part_at(p, m, s, &shares[j], &law->parts[j]);
        top = fmax(top, weight[j]);
    }
    for (int j = 0; j < NODES; j++)
        sum += weight[j] = exp(weight[j] - top);
    *borrowed = 0;
    for (int j = 0; j < NODES; j++) {
        if (!(weight[j] / sum > least_weight))
            continue;
        law->parts[law->count] = law->parts[j];
        law->parts[law->count].weight = weight[j] / sum;
        *borrowed += weight[j] / sum * shares[j];
        set_scores(&law->parts[law->count++]);
    }
    return law;
}

/* Hazard within the span at a rate of 1. */
static double gain(const struct life_law *law, double shape, double age, double h)
{
    if (!(age > 0))
        return age + h > 0 ? exp(shape * (log(age + h) - law->log_unit)) : age + h;
    return exp(shape * (log(age) - law->log_unit)) * expm1(shape * log1p(h / age));
}

double life_law_conditional(const struct life_law *law, double age, double h)
{
    double p = 0;
    for (size_t i = 0; i < law->count; i++) {
        const struct life_part *part = &law->parts[i];
        p += part->weight * -expm1(-part->k * log1p(gain(law, part->shape, age, h) / part->r));
    }
    return p;
}

/* The normal score below which a part's rate lies at a log, straight between and beyond its known points. */
static double score_of(const struct life_part *part, double log_rate)
{
    int low = 0, high = LIFE_SCORES - 1;
    while (high - low > 1) {
        int middle = (low + high) / 2;
        if (part->log_rate[middle] <= log_rate)
            low = middle;
        else
            high = middle;
    }
    double step = part->log_rate[high] - part->log_rate[low];
    return score_at(low) + (log_rate - part->log_rate[low]) / step * (score_at(high) - score_at(low));
}

static double share_below(const struct life_law *law, const double *log_gain, double log_hazard)
{
    double share = 0;
    for (size_t i = 0; i < law->count; i++)
        share += law->parts[i].weight * normal_cdf(score_of(&law->parts[i], log_hazard - log_gain[i]));
    return share;
}

/* Between the quantiles of the parts lies that of all: halved, or by the secant where that is nearer. */
static double log_quantile(const struct life_law *law, const double *log_gain, int score, double p)
{
    enum { ROUNDS = 40 };
    double low = D_INF, high = -D_INF, at_low, at_high;

    for (size_t i = 0; i < law->count; i++) {
        double x = log_gain[i] + law->parts[i].log_rate[score];
        low = fmin(low, x - 0.1);
        high = fmax(high, x + 0.1);
    }
    at_low = share_below(law, log_gain, low) - p;
    at_high = share_below(law, log_gain, high) - p;
    for (int i = 0; i < ROUNDS && high - low > 1e-4; i++) {
        double secant = low - at_low * (high - low) / (at_high - at_low), middle = (low + high) / 2;
        double x = i % 3 == 2 || !(secant > low && secant < high) ? middle : secant;
        double at = share_below(law, log_gain, x) - p;
        if (fabs(at) < 1e-5)
            return x;
        if (at < 0)
            low = x, at_low = at;
        else
            high = x, at_high = at;
    }
    return (low + high) / 2;
}

void life_law_limits(const struct life_law *law, double age, double h, double limits[2])
{
    double log_gain[LIFE_PARTS];
    for (size_t i = 0; i < law->count; i++)
        log_gain[i] = log(gain(law, law->parts[i].shape, age, h));
    limits[0] = limits[1] = law->count ? exp(log_gain[0]) : D_NAN;
    if (!(limits[0] > 0)) /* no span, or none that is known */
        return;
    for (int side = 0; side < 2; side++) {
        int score = side ? LIFE_SCORE_UPPER : LIFE_SCORE_LOWER;
        limits[side] = -expm1(-exp(log_quantile(law, log_gain, score, side ? 0.975 : 0.025)));
    }
}

/* Shape and scale of the middle of the law, with limits. */
static void take_from_law(struct life_model *m, const struct life_law *law)
{
    double s = 0, s_square = 0, scale = 0, scale_square = 0;
    for (size_t i = 0; i < law->count; i++) {
        const struct life_part *part = &law->parts[i];
        double log_shape = log(part->shape);
        double log_scale = law->log_unit - (gamma_log_slope(part->k) - log(part->r)) / part->shape;
        s += part->weight * log_shape;
        s_square += part->weight * log_shape * log_shape;
        scale += part->weight * log_scale;
        scale_square +=
            part->weight * (log_scale * log_scale + gamma_log_bend(part->k) / (part->shape * part->shape));
    }
    double s_sd = sqrt(fmax(0, s_square - s * s)), scale_sd = sqrt(fmax(0, scale_square - scale * scale));
    m->method = LIFE_POOLED;
    m->shape = exp(s);
    m->scale = exp(scale);
    for (int side = 0; side < 2; side++) {
        double z = side ? NORMAL_95 : -NORMAL_95;
        m->shape_ci[side] = exp(s + z * s_sd);
        m->scale_ci[side] = exp(scale + z * scale_sd);
        m->shape_lr[side] = m->scale_lr[side] = D_NAN;
    }
    m->var_log_scale = m->var_log_shape = m->cov_log = m->log_likelihood = D_NAN;
}

/* The age at which the law expects a tenth to have failed. */
static double tenth_of(const struct life_law *law)
{
    double low = law->log_unit - 30, high = law->log_unit + 30;
    for (int i = 0; i < 60; i++) {
        double middle = (low + high) / 2;
        if (life_law_conditional(law, 0, exp(middle)) < 0.1)
            low = middle;
        else
            high = middle;
    }
    return exp(low);
}

static void set_law(const struct pool *p, const struct member *m, struct life_model *model)
{
    model->law = law_of(p, m, &model->borrowed);
    if (model->failures >= LIFE_OWN_FAILURES && model->method == LIFE_MAXIMUM_LIKELIHOOD)
        return;
    take_from_law(model, model->law);
    model->b10 = tenth_of(model->law);
}

static bool read_groups(const struct life_group_lives *groups, const struct life_model *models,
                        struct pool *p)
{
    double failures = 0, logs = 0;
    for (size_t i = 0; i < p->n; i++) {
        struct member *m = &p->members[i];
        life_data_of(groups[i].lives, groups[i].count, p->scratch, &m->d);
        failures += m->d.failures;
        logs += sum_of_logs(&m->d);
        m->has_shape = models[i].method == LIFE_MAXIMUM_LIKELIHOOD && models[i].failures >= LIFE_OWN_FAILURES;
        m->s = log(models[i].shape);
        m->variance = models[i].var_log_shape;
    }
    p->log_unit = logs / failures;
    for (size_t i = 0; i < p->n; i++)
        p->members[i].log_ratio = p->members[i].d.log_unit - p->log_unit;
    return failures > 0;
}

static void make_laws(struct pool *p, struct life_model *models, struct life_model *newcomer)
{
    struct mixing_group *counts = arena_array(p->scratch, struct mixing_group, p->n);
    struct member none = {.d = {.log_unit = 0}};
    double exposure = 0;

    set_nodes(p);
    for (size_t i = 0; i < p->n; i++) {
        counts[i] = p->members[i].counts;
        exposure += counts[i].exposure;
    }
    if (!(exposure > 0))
        return;
    mixing_spread(counts, p->n, mixing_even_prior, p->points);
    for (size_t i = 0; i < p->n; i++)
        set_law(p, &p->members[i], &models[i]);
    set_shape_prior(p, SIZE_MAX, between_shapes(p), &none.prior_mean, &none.prior_variance);
    none.center = none.prior_mean;
    none.sd = sqrt(none.prior_variance);
    *newcomer = (struct life_model){.method = LIFE_NO_DATA};
    set_law(p, &none, newcomer);
}

void life_pool(const struct life_group_lives *groups, size_t n, double assumed_shape, struct arena *mem,
               struct life_model *models, struct life_model *newcomer)
{
    struct arena *scratch = arena_new(SIZE_MAX);
    struct pool *p = arena_alloc(scratch, sizeof *p);

    *p = (struct pool){.mem = mem,
                       .scratch = scratch,
                       .n = n,
                       .assumed = assumed_shape,
                       .members = arena_array(scratch, struct member, n)};
    if (read_groups(groups, models, p))
        make_laws(p, models, newcomer);
    arena_free(scratch);
}
