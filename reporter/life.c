#include "life.h"

#include "life_likelihood.h"
#include "life_limits.h"
#include "life_pool.h"
#include "numeric.h"

#include <math.h>

/* A way from the maximum along one parameter, the other one (if free) at its best. */
struct profile {
    const struct life_data *data;
    const struct life_point *best;
    int parameter, others; /* enum life_free */
    double direction;      /* -1 lower end, 1 upper end */
    struct life_point at;
};

static double *parameter_of(struct life_point *p, int parameter)
{
    return parameter == LIFE_FREE_SCALE ? &p->mu : &p->s;
}

/* Moves *p along the ridge to another value of the parameter and climbs back onto it. */
static bool move_along(const struct profile *f, struct life_point *p, double value)
{
    double change = value - *parameter_of(p, f->parameter);

    *parameter_of(p, f->parameter) = value;
    if (!f->others) {
        p->at = life_value_at(f->data, p->mu, p->s);
        return isfinite(p->at.l);
    }
    double bend = f->others == LIFE_FREE_SCALE ? p->at.mu_mu : p->at.s_s;
    if (bend < 0 && fabs(p->at.mu_s * change / bend) < 1)
        *parameter_of(p, f->others) -= p->at.mu_s * change / bend;
    return life_climb(f->data, f->others, p);
}

static bool walk(void *context, double distance, double *drop, double *slope)
{
    struct profile *f = context;
    struct life_point best = *f->best;
    double origin = *parameter_of(&best, f->parameter);

    if (!move_along(f, &f->at, origin + f->direction * distance))
        return false;
    *drop = f->best->at.l - f->at.at.l;
    *slope = -f->direction * (f->parameter == LIFE_FREE_SCALE ? f->at.at.mu : f->at.at.s);
    return true;
}

static void likelihood_limits(const struct life_data *d, const struct life_point *best, int parameter,
                              int others, double se, double limits[2])
{
    struct life_point p = *best;
    for (int side = 0; side < 2; side++) {
        struct profile f = {d, best, parameter, others, side ? 1 : -1, *best};
        limits[side] = exp(*parameter_of(&p, parameter) + f.direction * life_limit(walk, &f, se));
    }
}

static void wald_limits(double log_value, double se, double limits[2])
{
    limits[0] = exp(log_value - NORMAL_95 * se);
    limits[1] = exp(log_value + NORMAL_95 * se);
}

/* The inverse of the observed information. */
static void set_covariance(const struct life_value *v, bool shape_known, struct life_model *m)
{
    double det = v->mu_mu * v->s_s - v->mu_s * v->mu_s;

    if (shape_known) {
        m->var_log_scale = -1 / v->mu_mu;
    } else if (v->mu_mu < 0 && det > 0) {
        m->var_log_scale = -v->s_s / det;
        m->var_log_shape = -v->mu_mu / det;
        m->cov_log = v->mu_s / det;
    }
}

static void set_estimate(const struct life_data *d, const struct life_point *p, bool shape_known,
                         struct life_model *m)
{
    m->method = shape_known ? LIFE_SHAPE_ASSUMED : LIFE_MAXIMUM_LIKELIHOOD;
    m->scale = exp(p->mu + d->log_unit);
    m->shape = exp(p->s);
    m->log_likelihood = p->at.l - d->exact * d->log_unit;
    set_covariance(&p->at, shape_known, m);

    double se = sqrt(m->var_log_scale);
    struct life_point best = *p;
    wald_limits(p->mu + d->log_unit, se, m->scale_ci);
    likelihood_limits(d, &best, LIFE_FREE_SCALE, shape_known ? 0 : LIFE_FREE_SHAPE, se, m->scale_lr);
    m->scale_lr[0] *= exp(d->log_unit);
    m->scale_lr[1] *= exp(d->log_unit);
    if (shape_known)
        return;
    se = sqrt(m->var_log_shape);
    wald_limits(p->s, se, m->shape_ci);
    likelihood_limits(d, &best, LIFE_FREE_SHAPE, LIFE_FREE_SCALE, se, m->shape_lr);
}

/* From the sum of age^shape; the factor for time-censored data (failures + 1 of them, at worst). */
static double scale_lower(double exposure, double failures, double shape, double confidence)
{
    return pow(2 * exposure / chi_square_quantile(confidence, 2 * failures + 2), 1 / shape);
}

static void set_no_failure(const struct life_data *d, double shape, struct life_model *m)
{
    m->method = LIFE_NO_FAILURE;
    m->shape = shape;
    m->scale = exp(d->log_unit) * scale_lower(life_exposure(d, shape), 0, shape, 0.5);
    m->scale_ci[0] = exp(d->log_unit) * scale_lower(life_exposure(d, shape), 0, shape, 0.975);
    m->log_likelihood = -M_LN2; /* the cumulative hazard of all units is log 2 at this scale */
}

static struct life_model no_data(const struct life_data *d)
{
    return (struct life_model){
        .method = LIFE_NO_DATA,
        .n = (size_t)llround(d->units),
        .failures = d->failures,
        .shape = D_NAN,
        .scale = D_NAN,
        .log_likelihood = D_NAN,
        .shape_ci = {D_NAN, D_NAN},
        .scale_ci = {D_NAN, D_NAN},
        .shape_lr = {D_NAN, D_NAN},
        .scale_lr = {D_NAN, D_NAN},
        .b10 = D_NAN,
        .var_log_scale = D_NAN,
        .var_log_shape = D_NAN,
        .cov_log = D_NAN,
        .borrowed = D_NAN,
    };
}

void life_fit(const struct lifetime *lives, size_t count, double assumed_shape, struct arena *mem,
              struct life_model *out)
{
    struct life_data d;
    struct life_point p;

    life_data_of(lives, count, mem, &d);
    *out = no_data(&d);
    if (!d.exposed)
        return;
    if (d.failures <= 0)
        set_no_failure(&d, assumed_shape, out);
    else if (d.failures >= LIFE_FAILURES_FOR_SHAPE && life_maximise(&d, &p))
        set_estimate(&d, &p, false, out);
    else if (life_maximise_scale(&d, assumed_shape, &p))
        set_estimate(&d, &p, true, out);
    out->b10 = life_quantile(out, 0.1);
}

double life_scale_lower(const struct lifetime *lives, size_t count, double shape, double confidence)
{
    double longest = 0, exposure = 0, failures = 0;

    for (size_t i = 0; i < count; i++)
        longest = fmax(longest, lives[i].exit);
    for (size_t i = 0; i < count; i++) {
        const struct lifetime *row = &lives[i];
        exposure += row->count * (pow(row->exit / longest, shape) - pow(row->entry / longest, shape));
        failures += row->failed ? row->count : 0;
    }
    return longest * scale_lower(exposure, failures, shape, confidence);
}

/* Cumulative hazard. */
static double hazard_to(const struct life_model *m, double age)
{
    return age > 0 ? exp(m->shape * log(age / m->scale)) : age * m->shape; /* NAN stays NAN */
}

/* Cumulative hazard within (age, age + h], without cancellation where h is small beside the age. */
static double hazard_within(const struct life_model *m, double age, double h)
{
    if (!(age > 0))
        return hazard_to(m, age + h);
    return hazard_to(m, age) * expm1(m->shape * log1p(h / age));
}

double life_hazard(const struct life_model *m, double from, double to)
{
    return hazard_within(m, from, to - from);
}

double life_survival(const struct life_model *m, double age)
{
    return exp(-hazard_to(m, age));
}

double life_conditional(const struct life_model *m, double age, double h)
{
    return m->law ? life_law_conditional(m->law, age, h) : -expm1(-hazard_within(m, age, h));
}

/* Standard error of a quantity from its slopes along log scale and log shape; an assumed shape has none. */
static double delta_se(const struct life_model *m, double by_scale, double by_shape)
{
    double variance = by_scale * by_scale * m->var_log_scale;
    if (!isnan(m->var_log_shape))
        variance += by_shape * by_shape * m->var_log_shape + 2 * by_scale * by_shape * m->cov_log;
    return sqrt(variance);
}

/* What the lower limit of the scale says where nothing has failed: the hazard may be nothing at all. */
static struct life_model at_lower_scale(const struct life_model *m)
{
    struct life_model low = *m;
    low.scale = m->scale_ci[0];
    return low;
}

void life_conditional_limits(const struct life_model *m, double age, double h, double limits[2])
{
    if (m->law) {
        life_law_limits(m->law, age, h, limits);
        return;
    }
    if (m->method == LIFE_NO_FAILURE) {
        struct life_model low = at_lower_scale(m);
        limits[0] = 0;
        limits[1] = life_conditional(&low, age, h);
        return;
    }
    double within = hazard_within(m, age, h);
    if (!(within > 0)) {
        limits[0] = limits[1] = within;
        return;
    }
    double end = hazard_to(m, age + h), begin = hazard_to(m, age);
    double by_shape =
        m->shape * (log((age + h) / m->scale) * end - (age > 0 ? log(age / m->scale) * begin : 0));
    double se = delta_se(m, -m->shape, by_shape / within);
    limits[0] = -expm1(-within * exp(-NORMAL_95 * se));
    limits[1] = -expm1(-within * exp(NORMAL_95 * se));
}

double life_quantile(const struct life_model *m, double p)
{
    return m->scale * exp(log(-log1p(-p)) / m->shape);
}

void life_failed_limits(const struct life_model *m, double t, double limits[2])
{
    life_conditional_limits(m, 0, t, limits);
}

void life_quantile_limits(const struct life_model *m, double p, double limits[2])
{
    if (m->method == LIFE_NO_FAILURE) {
        struct life_model low = at_lower_scale(m);
        limits[0] = life_quantile(&low, p);
        limits[1] = D_NAN;
        return;
    }
    double se = delta_se(m, 1, -log(-log1p(-p)) / m->shape);
    wald_limits(log(life_quantile(m, p)), se, limits);
}

const char *life_method_word(enum life_method m)
{
    switch (m) {
    case LIFE_MAXIMUM_LIKELIHOOD:
        return "maximum likelihood";
    case LIFE_SHAPE_ASSUMED:
        return "shape assumed";
    case LIFE_NO_FAILURE:
        return "no failure";
    case LIFE_NO_DATA:
        return "no data";
    case LIFE_POOLED:
        return "pooled";
    }
    BUG("no life method %d", (int)m);
}
