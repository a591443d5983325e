#include "life_regression.h"

#include "life_likelihood.h"
#include "life_limits.h"
#include "numeric.h"

#include <stdint.h>
#include <string.h>

/*
 * Newton's method works on the columns less their means over their spread, with the parameters intercept,
 * effects, log shape; all results are taken back to the columns as they came.
 */
struct data {
    size_t n, columns, size; /* size: parameters */
    struct life_row *rows;
    double *x, *mean, *spread;
    double log_unit, failures, exact;
    struct arena *mem;
};

struct value {
    double l;
    double *slope, *bend; /* bend: minus the second derivatives */
};

static struct value value_new(const struct data *d)
{
    return (struct value){.slope = arena_array(d->mem, double, d->size),
                          .bend = arena_array(d->mem, double, d->size * d->size)};
}

static void add_row(const struct data *d, size_t i, const double *theta, struct value *v)
{
    const double *x = &d->x[i * d->columns];
    size_t last = d->size - 1;
    double mu = theta[0];
    struct life_value row = {0};

    for (size_t k = 0; k < d->columns; k++)
        mu += theta[k + 1] * x[k];
    life_add_row_value(&d->rows[i], mu, theta[last], &row);
    v->l += row.l;
    v->slope[0] += row.mu;
    v->slope[last] += row.s;
    v->bend[0] -= row.mu_mu;
    v->bend[last] -= row.mu_s;
    v->bend[last * d->size + last] -= row.s_s;
    for (size_t k = 0; k < d->columns; k++) {
        v->slope[k + 1] += row.mu * x[k];
        v->bend[k + 1] -= row.mu_mu * x[k];
        v->bend[(k + 1) * d->size + last] -= row.mu_s * x[k];
        for (size_t j = k; j < d->columns; j++)
            v->bend[(k + 1) * d->size + j + 1] -= row.mu_mu * x[k] * x[j];
    }
}

static void value_at(const struct data *d, const double *theta, struct value *v)
{
    v->l = 0;
    memset(v->slope, 0, d->size * sizeof *v->slope);
    memset(v->bend, 0, d->size * d->size * sizeof *v->bend);
    for (size_t i = 0; i < d->n; i++)
        add_row(d, i, theta, v);
    for (size_t k = 0; k < d->size; k++)
        for (size_t j = 0; j < k; j++)
            v->bend[k * d->size + j] = v->bend[j * d->size + k];
}

/* The parameters that are not held. */
struct climb {
    const struct data *d;
    size_t free[64], free_count;
    double *theta, *next;
    struct value at, there;
    double *matrix, *step;
};
enum { MOST_COLUMNS = 62 };

static void climb_init(struct climb *c, const struct data *d)
{
    *c = (struct climb){.d = d,
                        .theta = arena_array(d->mem, double, d->size),
                        .next = arena_array(d->mem, double, d->size),
                        .at = value_new(d),
                        .there = value_new(d),
                        .matrix = arena_array(d->mem, double, d->size * d->size),
                        .step = arena_array(d->mem, double, d->size)};
}

static void set_free(struct climb *c, const struct data *d, bool with_effects, size_t held)
{
    c->free_count = 0;
    for (size_t k = 0; k < d->size; k++) {
        bool effect = k > 0 && k + 1 < d->size;
        if (k != held && (with_effects || !effect))
            c->free[c->free_count++] = k;
    }
}

/* Newton's step with so much added to the bend; false when there is none. */
static bool solve_step(struct climb *c, double added)
{
    const size_t n = c->free_count;
    for (size_t k = 0; k < n; k++) {
        for (size_t j = 0; j < n; j++)
            c->matrix[k * n + j] = c->at.bend[c->free[k] * c->d->size + c->free[j]];
        c->matrix[k * n + k] += added;
        c->step[k] = c->at.slope[c->free[k]];
    }
    return numeric_solve(c->matrix, n, c->step);
}

/* Newton's step over the free parameters; where the surface does not bend downwards, with so much added to
 * the bend that it does. Gives twice the gain that it promises; NAN when there is none. */
static double set_step(struct climb *c)
{
    const size_t n = c->free_count;
    double most = 0, ridge = 0, promised = 0;
    for (size_t k = 0; k < n; k++)
        most = fmax(most, fabs(c->at.bend[c->free[k] * (c->d->size + 1)]));
    while (!solve_step(c, ridge * most)) {
        if (ridge >= 1e6)
            return D_NAN;
        ridge = ridge > 0 ? 10 * ridge : 1e-6;
    }
    for (size_t k = 0; k < n; k++)
        promised += c->step[k] * c->at.slope[c->free[k]];
    return promised;
}

/* Climbs to the nearest maximum over the free parameters; false when there is none. */
static bool climb(struct climb *c)
{
    enum { STEPS = 100, HALVINGS = 40, FARTHEST = 60 };

    value_at(c->d, c->theta, &c->at);
    for (int i = 0; i < STEPS && isfinite(c->at.l); i++) {
        double promised = c->free_count ? set_step(c) : 0, longest = 1, part;
        int halvings = 0;
        if (isnan(promised))
            return false;
        for (size_t k = 0; k < c->free_count; k++)
            longest = fmax(longest, fabs(c->step[k]));
        for (part = 1 / longest; halvings < HALVINGS; part /= 2, halvings++) {
            memcpy(c->next, c->theta, c->d->size * sizeof *c->next);
            for (size_t k = 0; k < c->free_count; k++)
                c->next[c->free[k]] += part * c->step[k];
            value_at(c->d, c->next, &c->there);
            if (c->there.l >= c->at.l - 1e-12 * (1 + fabs(c->at.l)))
                break;
        }
        if (halvings == HALVINGS)
            return promised < 1e-8;
        double *theta = c->theta;
        struct value at = c->at;
        c->theta = c->next, c->next = theta;
        c->at = c->there, c->there = at;
        for (size_t k = 0; k < c->d->size; k++)
            if (fabs(c->theta[k]) > FARTHEST)
                return false;
        if (promised < 1e-11)
            return true;
    }
    return false;
}

static void take(struct climb *to, const struct climb *from)
{
    memcpy(to->theta, from->theta, from->d->size * sizeof *to->theta);
}

/* The way along one parameter, the others following. */
struct way {
    const struct climb *best;
    struct climb *walker;
    size_t parameter;
    double direction;
};

static bool walk(void *context, double distance, double *drop, double *slope)
{
    struct way *w = context;
    struct climb *c = w->walker;
    set_free(c, c->d, true, w->parameter);
    c->theta[w->parameter] = w->best->theta[w->parameter] + w->direction * distance;
    if (!climb(c))
        return false;
    *drop = w->best->at.l - c->at.l;
    *slope = -w->direction * c->at.slope[w->parameter];
    return true;
}

static double end_of(const struct climb *best, struct climb *walker, size_t parameter, double direction,
                     double se)
{
    struct way w = {best, walker, parameter, direction};
    take(walker, best);
    return best->theta[parameter] + direction * life_limit(walk, &w, se);
}

static void read_columns(struct data *d, const struct life_covariates *c)
{
    d->x = arena_array(d->mem, double, d->n * d->columns);
    d->mean = arena_array(d->mem, double, d->columns);
    d->spread = arena_array(d->mem, double, d->columns);
    for (size_t k = 0; k < d->columns; k++) {
        double sum = 0, squares = 0;
        for (size_t i = 0; i < d->n; i++)
            sum += c->x[i * d->columns + k];
        d->mean[k] = sum / (double)d->n;
        for (size_t i = 0; i < d->n; i++)
            squares += pow(c->x[i * d->columns + k] - d->mean[k], 2);
        d->spread[k] = sqrt(squares / (double)d->n);
        for (size_t i = 0; i < d->n && d->spread[k] > 0; i++)
            d->x[i * d->columns + k] = (c->x[i * d->columns + k] - d->mean[k]) / d->spread[k];
    }
}

static void read_lives(struct data *d, const struct lifetime *lives)
{
    double largest = 0;
    for (size_t i = 0; i < d->n; i++) {
        life_check_row(&lives[i], i);
        largest = fmax(largest, isnan(lives[i].exit_high) ? lives[i].exit : lives[i].exit_high);
    }
    d->log_unit = largest > 0 ? log(largest) : 0;
    d->rows = arena_array(d->mem, struct life_row, d->n);
    for (size_t i = 0; i < d->n; i++) {
        d->rows[i] = life_row_of(&lives[i], d->log_unit);
        d->failures += lives[i].failed ? lives[i].count : 0;
        d->exact += lives[i].failed && isnan(d->rows[i].log_high) ? lives[i].count : 0;
    }
}

/* Covariances of the parameters as they come out: the intercept takes in the means of the columns, an effect
 * is divided by its spread, log shape changes its sign. */
static double *outer_covariance(const struct data *d, const struct climb *best)
{
    const size_t n = d->size;
    double *inner = arena_array(d->mem, double, n *n), *turn = arena_array(d->mem, double, n *n);
    double *out = arena_array(d->mem, double, n *n);

    if (!numeric_inverse(best->at.bend, n, inner))
        return NULL;
    turn[0] = 1;
    turn[n * n - 1] = -1;
    for (size_t k = 0; k < d->columns; k++) {
        turn[(k + 1) * n + k + 1] = 1 / d->spread[k];
        turn[k + 1] = -d->mean[k] / d->spread[k];
    }
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++)
            for (size_t k = 0; k < n; k++)
                for (size_t m = 0; m < n; m++)
                    out[i * n + j] += turn[i * n + k] * inner[k * n + m] * turn[j * n + m];
    return out;
}

/* Where the likelihood rises with an effect for ever, the climb ends on a plain on which nothing is known. */
static bool has_runaway(const struct data *d, const double *covariance)
{
    const double widest = 10; /* standard error of a log factor between usual values of the covariate */
    for (size_t k = 0; k < d->columns; k++)
        if (!(sqrt(covariance[(k + 1) * (d->size + 1)]) * d->spread[k] < widest))
            return true;
    return false;
}

static void set_effects(const struct data *d, const struct climb *best, struct climb *walker,
                        const struct life_covariates *c, struct life_regression *out)
{
    out->effects = arena_array(d->mem, struct life_effect, d->columns);
    for (size_t k = 0; k < d->columns; k++) {
        struct life_effect *e = &out->effects[k];
        double spread = d->spread[k], drop, slope;
        struct way to_none = {best, walker, k + 1, -1};
        e->name = c->names[k];
        e->value = best->theta[k + 1] / spread;
        e->se = sqrt(out->covariance[(k + 1) * (d->size + 1)]);
        for (int side = 0; side < 2; side++) {
            double direction = side ? 1 : -1;
            e->wald[side] = e->value + direction * NORMAL_95 * e->se;
            e->lr[side] = end_of(best, walker, k + 1, direction, e->se * spread) / spread;
        }
        take(walker, best);
        bool there = walk(&to_none, best->theta[k + 1], &drop, &slope);
        e->p = there ? chi_square_above(2 * fmax(0, drop), 1) : D_NAN;
    }
}

static void set_shape(const struct data *d, const struct climb *best, struct climb *walker,
                      struct life_regression *out)
{
    size_t last = d->size - 1;
    double s = best->theta[last], se = sqrt(out->covariance[last * (d->size + 1)]);
    out->shape = exp(s);
    for (int side = 0; side < 2; side++) {
        double direction = side ? 1 : -1;
        out->shape_ci[side] = exp(s + direction * NORMAL_95 * se);
        out->shape_lr[side] = exp(end_of(best, walker, last, direction, se));
    }
}

static const char *unusable(const struct data *d, const struct life_covariates *c)
{
    if (d->columns > MOST_COLUMNS)
        return "too many covariates";
    if (d->failures < (double)d->columns + 2)
        return arena_printf(d->mem, "%.0f failures are too few for %zu covariates", d->failures, d->columns);
    for (size_t k = 0; k < d->columns; k++)
        if (!(d->spread[k] > 1e-12 * fabs(d->mean[k])))
            return arena_printf(d->mem, "'%s' is the same for all", c->names[k]);
    return NULL;
}

void life_regress(const struct lifetime *lives, size_t n, const struct life_covariates *c, struct arena *mem,
                  struct life_regression *out)
{
    struct data d = {.n = n, .columns = c->count, .size = c->count + 2, .mem = mem};
    struct climb best, walker;
    struct life_model alone;

    *out = (struct life_regression){.n = n, .count = c->count};
    read_lives(&d, lives);
    read_columns(&d, c);
    out->failures = d.failures;
    out->why_not = unusable(&d, c);
    if (out->why_not)
        return;
    life_fit(lives, n, LIFE_ASSUMED_SHAPE, mem, &alone);
    climb_init(&best, &d);
    climb_init(&walker, &d);
    best.theta[0] = log(alone.scale) - d.log_unit;
    best.theta[d.size - 1] = log(alone.shape);
    set_free(&best, &d, true, SIZE_MAX);
    out->why_not = "an effect without end: no failure where a covariate is high, or none where it is low";
    if (alone.method != LIFE_MAXIMUM_LIKELIHOOD || !climb(&best))
        return;
    out->covariance = outer_covariance(&d, &best);
    if (!out->covariance)
        out->why_not = "covariates that follow from each other";
    if (!out->covariance || has_runaway(&d, out->covariance))
        return;
    out->why_not = NULL;
    set_shape(&d, &best, &walker, out);
    set_effects(&d, &best, &walker, c, out);
    out->intercept = best.theta[0] + d.log_unit;
    for (size_t k = 0; k < d.columns; k++)
        out->intercept -= out->effects[k].value * d.mean[k];
    out->log_likelihood = best.at.l - d.exact * d.log_unit;
    out->log_likelihood_without = alone.log_likelihood;
    out->p = chi_square_above(2 * fmax(0, out->log_likelihood - alone.log_likelihood), (double)d.columns);
}

double life_regression_quantile(const struct life_regression *r, const double *x, double p, double *log_se)
{
    const size_t n = r->count + 2;
    double w = log(-log1p(-p)), log_age = r->intercept + w / r->shape, variance = 0;

    for (size_t k = 0; k < r->count; k++)
        log_age += r->effects[k].value * x[k];
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++) {
            double by_i = i == 0 ? 1 : i + 1 == n ? w / r->shape : x[i - 1];
            double by_j = j == 0 ? 1 : j + 1 == n ? w / r->shape : x[j - 1];
            variance += by_i * by_j * r->covariance[i * n + j];
        }
    *log_se = sqrt(variance);
    return exp(log_age);
}

double life_pace(const struct life_regression *r, const double *x, const double *than)
{
    double sum = 0;
    for (size_t k = 0; k < r->count; k++)
        sum -= r->effects[k].value * (x[k] - than[k]);
    return exp(sum);
}
