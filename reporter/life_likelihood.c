#include "life_likelihood.h"

#include "numeric.h"

#include <math.h>

void life_check_row(const struct lifetime *row, size_t number)
{
    bool plain = isfinite(row->entry) && isfinite(row->exit) && row->entry >= 0 && row->exit >= row->entry;
    bool interval = isnan(row->exit_high) || (row->failed && row->exit_high > row->exit);
    if (!plain || !interval || !(row->count > 0) || !isfinite(row->count))
        BUG("lifetime %zu is not valid: entry %g, exit %g, exit_high %g, count %g", number, row->entry,
            row->exit, row->exit_high, row->count);
}

/* A failure at age 0 has no density: it is one somewhere in the first hour. */
static double high_of(const struct lifetime *row)
{
    return row->exit > 0 || !isnan(row->exit_high) ? row->exit_high : LIFE_RESOLUTION_HOURS;
}

static void add_exposure(struct life_data *d, double log_age, double weight)
{
    if (log_age > -D_INF)
        life_powers_add(&d->exposures, log_age, weight);
}

static double log_of(const struct life_data *d, double age)
{
    return age > 0 ? log(age) - d->log_unit : -D_INF;
}

static void add_interval(struct life_data *d, double low, double high, double weight)
{
    d->log_low[d->intervals] = log_of(d, low);
    d->log_high[d->intervals] = log_of(d, high);
    d->interval_weight[d->intervals++] = weight;
}

static void add_row(struct life_data *d, const struct lifetime *row)
{
    double high = row->failed ? high_of(row) : D_NAN, log_exit = log_of(d, row->exit);

    d->units += row->count;
    d->late |= row->entry > 0;
    d->exposed |= row->exit > row->entry;
    add_exposure(d, log_exit, row->count);
    add_exposure(d, log_of(d, row->entry), -row->count);
    if (!row->failed)
        return;
    d->failures += row->count;
    if (!isnan(high)) {
        add_interval(d, row->exit, high, row->count);
        return;
    }
    d->exact += row->count;
    d->sum_log += row->count * log_exit;
}

/*
 * The likelihood grows with the shape for ever when one age parts the rows: all that was seen to survive did
 * so up to it at most, and every failure can be at it.
 */
static bool bounded(const struct lifetime *lives, size_t count)
{
    double survived = 0, failed = D_INF;
    for (size_t i = 0; i < count; i++) {
        double high = lives[i].failed ? high_of(&lives[i]) : D_INF;
        survived = fmax(survived, lives[i].exit);
        failed = fmin(failed, isnan(high) ? lives[i].exit : high);
    }
    return survived > failed;
}

void life_data_of(const struct lifetime *lives, size_t count, struct arena *mem, struct life_data *d)
{
    size_t exposures = 0, intervals = 0;
    double largest = 0;
    for (size_t i = 0; i < count; i++) {
        life_check_row(&lives[i], i);
        double high = lives[i].failed ? high_of(&lives[i]) : D_NAN;
        exposures += 1 + (lives[i].entry > 0);
        intervals += !isnan(high);
        largest = fmax(largest, isnan(high) ? lives[i].exit : high);
    }
    *d = (struct life_data){
        .log_low = arena_array(mem, double, intervals),
        .log_high = arena_array(mem, double, intervals),
        .interval_weight = arena_array(mem, double, intervals),
        .log_unit = largest > 0 ? log(largest) : 0,
        .shape_bounded = bounded(lives, count),
    };
    life_powers_init(&d->exposures, exposures, mem);
    for (size_t i = 0; i < count; i++)
        add_row(d, &lives[i]);
    life_powers_gather(&d->exposures, mem);
}

/* With z = shape (log age - mu), a cumulative hazard is exp(z); dz/dmu = -shape and dz/ds = z. */
static void add_hazards(const struct life_data *d, double mu, double shape, struct life_value *v)
{
    double sums[3], unit = exp(-shape * mu);
    life_powers_at(&d->exposures, shape, sums);
    double h0 = unit * sums[0], h1 = unit * shape * (sums[1] - mu * sums[0]);
    double h2 = unit * shape * shape * (sums[2] - mu * (2 * sums[1] - mu * sums[0]));

    v->l -= h0;
    v->mu += shape * h0;
    v->s -= h1;
    v->mu_mu -= shape * shape * h0;
    v->mu_s += shape * (h0 + h1);
    v->s_s -= h1 + h2;
}

static void add_exact(const struct life_data *d, double mu, double s, double shape, struct life_value *v)
{
    double z = shape * (d->sum_log - mu * d->exact);
    v->l += z + d->exact * s - d->sum_log;
    v->mu -= shape * d->exact;
    v->s += z + d->exact;
    v->mu_s -= shape * d->exact;
    v->s_s += z;
}

/* log(1 - exp(-x)) without loss on either side of log 2 (Maechler 2012). */
static double log_failed(double x)
{
    return x > M_LN2 ? log1p(-exp(-x)) : log(-expm1(-x));
}

/* The part of an interval beyond survival to its low end: log(1 - exp(-x)), x the hazard within it. */
static void add_one_interval(double log_low, double log_high, double w, double mu, double shape,
                             struct life_value *v)
{
    bool from_new = isinf(log_low);
    double z_low = from_new ? 0 : shape * (log_low - mu), z_high = shape * (log_high - mu);
    double low = from_new ? 0 : exp(z_low), high = exp(z_high);
    double x = from_new ? high : low * expm1(z_high - z_low);
    double x_mu = -shape * x, x_s = z_high * high - z_low * low;
    double x_mu_mu = shape * shape * x, x_mu_s = -shape * (x + x_s);
    double x_s_s = z_high * (1 + z_high) * high - z_low * (1 + z_low) * low;
    double q = 1 / expm1(x), bend = q * (1 + q); /* d log(1-exp(-x)) / dx is q, its slope is -bend */

    v->l += w * log_failed(x);
    v->mu += w * q * x_mu;
    v->s += w * q * x_s;
    v->mu_mu += w * (q * x_mu_mu - bend * x_mu * x_mu);
    v->mu_s += w * (q * x_mu_s - bend * x_mu * x_s);
    v->s_s += w * (q * x_s_s - bend * x_s * x_s);
}

struct life_value life_value_at(const struct life_data *d, double mu, double s)
{
    struct life_value v = {0};
    double shape = exp(s);

    add_hazards(d, mu, shape, &v);
    add_exact(d, mu, s, shape, &v);
    for (size_t i = 0; i < d->intervals; i++)
        add_one_interval(d->log_low[i], d->log_high[i], d->interval_weight[i], mu, shape, &v);
    return v;
}

struct life_row life_row_of(const struct lifetime *life, double log_unit)
{
    double high = life->failed ? high_of(life) : D_NAN;
    return (struct life_row){.log_entry = log(life->entry) - log_unit,
                             .log_exit = log(life->exit) - log_unit,
                             .log_high = log(high) - log_unit,
                             .count = life->count,
                             .failed = life->failed};
}

static void add_hazard(double log_age, double w, double mu, double shape, struct life_value *v)
{
    if (isinf(log_age))
        return;
    double z = shape * (log_age - mu), h = w * exp(z);
    v->l -= h;
    v->mu += shape * h;
    v->s -= h * z;
    v->mu_mu -= shape * shape * h;
    v->mu_s += shape * h * (1 + z);
    v->s_s -= h * z * (1 + z);
}

void life_add_row_value(const struct life_row *row, double mu, double s, struct life_value *v)
{
    double shape = exp(s), z = shape * (row->log_exit - mu), w = row->count;

    add_hazard(row->log_exit, w, mu, shape, v);
    add_hazard(row->log_entry, -w, mu, shape, v);
    if (!isnan(row->log_high)) {
        add_one_interval(row->log_exit, row->log_high, w, mu, shape, v);
    } else if (row->failed) {
        v->l += w * (z + s - row->log_exit);
        v->mu -= w * shape;
        v->s += w * (1 + z);
        v->mu_s -= w * shape;
        v->s_s += w * z;
    }
}

/* Newton's step where the surface bends downwards, else one along the slope; *decrement is the gain that it
 * promises, twice. */
static struct life_point step_of(const struct life_value *v, int free, double *decrement)
{
    struct life_point step = {0};
    double det = v->mu_mu * v->s_s - v->mu_s * v->mu_s;

    if (free == LIFE_FREE_BOTH && v->mu_mu < 0 && det > 0) {
        step.mu = (v->mu_s * v->s - v->s_s * v->mu) / det;
        step.s = (v->mu_s * v->mu - v->mu_mu * v->s) / det;
    } else {
        if (free & LIFE_FREE_SCALE)
            step.mu = v->mu / fabs(v->mu_mu);
        if (free & LIFE_FREE_SHAPE)
            step.s = v->s / fabs(v->s_s);
    }
    *decrement = step.mu * v->mu + step.s * v->s;
    return step;
}

/* No step changes the shape by more than a factor e or a log hazard by more than 2. */
static double shorten(const struct life_point *step, double shape)
{
    double longest = fmax(fabs(step->s), shape * fabs(step->mu) / 2);
    return longest > 1 ? 1 / longest : 1;
}

static bool is_better(const struct life_value *now, const struct life_value *before)
{
    return now->l >= before->l - 1e-12 * (1 + fabs(before->l)) && isfinite(now->mu_mu) && isfinite(now->s_s);
}

bool life_climb(const struct life_data *d, int free, struct life_point *p)
{
    enum { STEPS = 200, HALVINGS = 40 };
    const double s_min = log(LIFE_SHAPE_MIN), s_max = log(LIFE_SHAPE_MAX);

    p->at = life_value_at(d, p->mu, p->s);
    for (int i = 0; i < STEPS; i++) {
        double decrement;
        struct life_point step = step_of(&p->at, free, &decrement), next;
        double part = shorten(&step, exp(p->s));
        int halvings = 0;
        if (!isfinite(step.mu) || !isfinite(step.s))
            return false;
        do {
            next.mu = p->mu + part * step.mu;
            next.s = fmin(fmax(p->s + part * step.s, s_min), s_max);
            next.at = life_value_at(d, next.mu, next.s);
            part /= 2;
        } while (!is_better(&next.at, &p->at) && ++halvings < HALVINGS);
        if (halvings == HALVINGS)
            return decrement < 1e-8;
        *p = next;
        if (free & LIFE_FREE_SHAPE && (p->s == s_min || p->s == s_max))
            return false;
        if (decrement < 1e-10) /* what is left is its square */
            return true;
    }
    return false;
}

double life_exposure(const struct life_data *d, double shape)
{
    double sums[3];
    life_powers_at(&d->exposures, shape, sums);
    return sums[0];
}

bool life_maximise_scale(const struct life_data *d, double shape, struct life_point *p)
{
    double exposure = life_exposure(d, shape);
    if (!d->exposed || d->failures <= 0)
        return false;
    for (size_t i = 0; i < d->intervals; i++)
        exposure += d->interval_weight[i] * exp(shape * d->log_high[i]) / 2;
    *p = (struct life_point){.mu = log(exposure / d->failures) / shape, .s = log(shape)};
    return life_climb(d, LIFE_FREE_SCALE, p);
}

/* With late entry there may be several maxima: the best of a row of shapes is the place to start. */
static double shape_to_start(const struct life_data *d)
{
    enum { SHAPES = 25 };
    double best = 1, best_l = -D_INF;

    if (!d->late)
        return best;
    for (int i = 0; i < SHAPES; i++) {
        struct life_point p;
        double shape = 0.05 * pow(1000, i / (SHAPES - 1.0)); /* 0.05 to 50 */
        if (life_maximise_scale(d, shape, &p) && p.at.l > best_l) {
            best = shape;
            best_l = p.at.l;
        }
    }
    return best;
}

bool life_maximise(const struct life_data *d, struct life_point *p)
{
    return d->shape_bounded && life_maximise_scale(d, shape_to_start(d), p) &&
           life_climb(d, LIFE_FREE_BOTH, p);
}
