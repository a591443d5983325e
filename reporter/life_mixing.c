#include "life_mixing.h"

#include "numeric.h"

double mixing_log_likelihood(const struct mixing_group *g, double a, double b)
{
    return gamma_log(a + g->events) - gamma_log(a) - a * log1p(g->exposure / b) -
           g->events * log(b + g->exposure);
}

static double log_likelihood(const struct mixing_group *groups, size_t n, double a, double b)
{
    double l = 0;
    for (size_t i = 0; i < n; i++)
        l += mixing_log_likelihood(&groups[i], a, b);
    return l;
}

/* The best b for an a, by Newton's steps on log b, in which the likelihood bends downwards everywhere; *bend
 * is how much. */
static double best_b(const struct mixing_group *groups, size_t n, double a, double *bend)
{
    enum { STEPS = 200 };
    double events = 0, exposure = 0;
    for (size_t i = 0; i < n; i++) {
        events += groups[i].events;
        exposure += groups[i].exposure;
    }
    double log_b = log(a * exposure / events);
    for (int k = 0; k < STEPS; k++) {
        double slope = 0, b = exp(log_b);
        *bend = 0;
        for (size_t i = 0; i < n; i++) {
            double total = a + groups[i].events, share = b / (b + groups[i].exposure);
            slope += a - total * share;
            *bend += total * share * (1 - share);
        }
        double step = slope / *bend;
        log_b += fmax(-1, fmin(1, step));
        if (fabs(step) < 1e-13)
            break;
    }
    return exp(log_b);
}

/* Slope by a of the likelihood at the best b. */
static double slope_by_a(const struct mixing_group *groups, size_t n, double a)
{
    double bend, b = best_b(groups, n, a, &bend), slope = 0;
    for (size_t i = 0; i < n; i++)
        slope += gamma_log_slope(a + groups[i].events) - gamma_log_slope(a) - log1p(groups[i].exposure / b);
    return slope;
}

void mixing_fit(const struct mixing_group *groups, size_t n, struct mixing *out)
{
    double low = log(1e-3), high = log(MIXING_MOST_A), bend;

    out->alike = slope_by_a(groups, n, MIXING_MOST_A) >= 0;
    while (!out->alike && high - low > 1e-13) {
        double middle = (low + high) / 2;
        if (slope_by_a(groups, n, exp(middle)) > 0)
            low = middle;
        else
            high = middle;
    }
    out->a = out->alike ? MIXING_MOST_A : exp((low + high) / 2);
    out->b = best_b(groups, n, out->a, &bend);
    out->log_likelihood = log_likelihood(groups, n, out->a, out->b);
    for (size_t i = 0; i < n; i++)
        if (groups[i].events > 0)
            out->log_likelihood +=
                groups[i].events * log(groups[i].exposure) - gamma_log(groups[i].events + 1);
}

double mixing_even_prior(double a, double b)
{
    (void)b;
    return log(a) - 2 * log1p(a);
}

void mixing_spread(const struct mixing_group *groups, size_t n, mixing_prior_fn *prior,
                   struct mixing_point points[MIXING_POINTS])
{
    const double log_least = log(0.1), log_most = log(500), reach = 4.5;
    double top = -D_INF, sum = 0;

    for (int i = 0; i < MIXING_POINTS_A; i++) {
        double a = exp(log_least + (log_most - log_least) * i / (MIXING_POINTS_A - 1)), bend;
        double b = best_b(groups, n, a, &bend), sd = 1 / sqrt(bend);
        for (int k = 0; k < MIXING_POINTS_M; k++) {
            struct mixing_point *p = &points[i * MIXING_POINTS_M + k];
            p->a = a;
            p->b = b * exp(sd * reach * (2.0 * k / (MIXING_POINTS_M - 1) - 1));
            p->weight = log_likelihood(groups, n, p->a, p->b) + prior(p->a, p->b) + log(sd);
            top = fmax(top, p->weight);
        }
    }
    for (int i = 0; i < MIXING_POINTS; i++)
        sum += points[i].weight = exp(points[i].weight - top);
    for (int i = 0; i < MIXING_POINTS; i++)
        points[i].weight /= sum;
}

void shrinkage_of(const double *estimates, const double *variances, size_t n, struct shrinkage *out)
{
    double weight = 0, squares = 0, mean = 0;
    *out = (struct shrinkage){.mean = D_NAN, .se = D_NAN};
    for (size_t i = 0; i < n; i++) {
        weight += 1 / variances[i];
        squares += 1 / (variances[i] * variances[i]);
        mean += estimates[i] / variances[i];
    }
    for (size_t i = 0; i < n; i++)
        out->q += pow(estimates[i] - mean / weight, 2) / variances[i];
    if (n > 1)
        out->between = fmax(0, (out->q - (double)(n - 1)) / (weight - squares / weight));
    weight = mean = 0;
    for (size_t i = 0; i < n; i++) {
        weight += 1 / (variances[i] + out->between);
        mean += estimates[i] / (variances[i] + out->between);
    }
    out->mean = mean / weight;
    out->se = 1 / sqrt(weight);
}

double shrinkage_value(const struct shrinkage *s, double estimate, double variance)
{
    double own = s->between / (s->between + variance);
    return own * estimate + (1 - own) * s->mean;
}
