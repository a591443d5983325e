#include "forecast.h"
#include "numeric.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/*
 * How far a term may stray from the plain sum before the past speaks for it: standard deviations of normal
 * laws for log weights, departures of spans, the log of the power. A fault weighs about one unit of log
 * likelihood, so some ten are needed to move a weight by its deviation.
 */
static const double WEIGHT_SD = 1, DEPARTURE_SD = 0.5, POWER_SD = 0.7, FALL_SD = 1.5;

enum { ROUNDS = 60, N = FORECAST_TERMS };

struct fitting {
    const struct forecast_row *rows;
    size_t count;
    double step_days;
    struct combination prior;
    double score[N], information[N * N];
};

static double deviation(int term)
{
    if (term == FORECAST_POWER)
        return POWER_SD;
    if (term >= FORECAST_DEPARTURES)
        return DEPARTURE_SD;
    return term == WITNESS_FALL ? FALL_SD : WEIGHT_SD;
}

/* How much of a span was seen, and whether it ended in a fault. */
struct seen {
    double share;
    bool fault;
};

static struct seen seen_of(const struct replay_outcome *o, int span)
{
    double begin = forecast_begin(span), end = forecast_ends[span];
    if (o->days <= begin)
        return (struct seen){0, false};
    if (o->fate == FATE_FAULT && o->days <= end)
        return (struct seen){1, true};
    return (struct seen){fmin(1, (o->days - begin) / (end - begin)), false};
}

/* How much each date that looks ahead over a span counts, so that each fault counts once. */
static double weight_of(int span, double step_days)
{
    return fmin(1, step_days / (forecast_ends[span] - forecast_begin(span)));
}

/* log(1 - exp(-h)) for a fault, -h for none, and their derivative by h. */
static double log_likelihood(double hazard, bool fault, double *derivative)
{
    const double least = 1e-12;
    hazard = fmax(hazard, least);
    *derivative = fault ? 1 / expm1(hazard) : -1;
    return fault ? log(-expm1(-hazard)) : -hazard;
}

static void add_span(struct fitting *f, double weight, double hazard, struct seen seen,
                     const double gradient[N])
{
    double slope, scaled = fmax(hazard * seen.share, 1e-12);
    (void)log_likelihood(scaled, seen.fault, &slope);
    double information = weight / expm1(scaled) * seen.share * seen.share;
    for (int i = 0; i < N; i++) {
        if (gradient[i] == 0)
            continue;
        f->score[i] += weight * slope * seen.share * gradient[i];
        for (int k = 0; k <= i; k++)
            f->information[i * N + k] += information * gradient[i] * gradient[k];
    }
}

/* Penalised log likelihood; with its derivatives where they are asked for. */
static double look(struct fitting *f, const struct combination *c, bool derivatives)
{
    double sum = 0;

    memset(f->score, 0, sizeof f->score);
    memset(f->information, 0, sizeof f->information);
    for (int i = 0; i < N; i++) {
        double off = c->term[i] - f->prior.term[i], precision = 1 / (deviation(i) * deviation(i));
        sum -= off * off * precision / 2;
        f->score[i] = -off * precision;
        f->information[i * N + i] = precision;
    }
    for (size_t r = 0; r < f->count; r++)
        for (int s = 0; s < FORECAST_SPANS; s++) {
            const struct forecast_row *row = &f->rows[r];
            struct seen seen = seen_of(&row->outcome, s);
            if (!(seen.share > 0))
                break;
            double gradient[N] = {0}, hazard = 0, slope;
            double weight = weight_of(s, f->step_days);
            for (size_t k = 0; k < row->fan_count; k++)
                hazard += forecast_combine(c, s, 1, row->fans[k].hazard[s], derivatives ? gradient : NULL);
            sum += weight * log_likelihood(hazard * seen.share, seen.fault, &slope);
            if (derivatives)
                add_span(f, weight, hazard, seen, gradient);
        }
    return sum;
}

/* A step of Fisher's scoring, halved until it is uphill. False: there is none. */
static bool step(struct fitting *f, struct combination *c, double *value)
{
    enum { HALVINGS = 14 };
    double direction[N];

    memcpy(direction, f->score, sizeof direction);
    if (!numeric_solve(f->information, N, direction))
        return false;
    double length = 1;
    for (int k = 0; k < HALVINGS; k++, length /= 2) {
        struct combination next = *c;
        for (int i = 0; i < N; i++)
            next.term[i] += length * fmax(-2, fmin(2, direction[i]));
        double reached = look(f, &next, false);
        if (reached > *value + 1e-9) {
            *c = next;
            *value = reached;
            return true;
        }
    }
    return false;
}

void forecast_fit(const struct forecast_row *rows, size_t count, double step_days, struct combination *out)
{
    struct fitting f = {.rows = rows, .count = count, .step_days = step_days};

    forecast_prior(&f.prior);
    *out = f.prior;
    double value = look(&f, out, true);
    for (int round = 0; round < ROUNDS && step(&f, out, &value); round++)
        value = look(&f, out, true);
    (void)look(&f, out, true);
    if (!numeric_inverse(f.information, N, out->covariance))
        memset(out->covariance, 0, sizeof out->covariance);
}

/* Shares of a class are drawn to the share of all by so many cases that were not seen. */
static const double SHRINKAGE = 20;

void forecast_fit_rival(const struct forecast_row *rows, size_t count, double step_days, enum rival rival,
                        struct rival_table *out)
{
    double cases[RIVAL_CLASSES][FORECAST_SPANS] = {{0}}, faults[RIVAL_CLASSES][FORECAST_SPANS] = {{0}};

    for (size_t r = 0; r < count; r++)
        for (int s = 0; s < FORECAST_SPANS; s++) {
            int class = forecast_class(rival, &rows[r].signs);
            struct seen seen = seen_of(&rows[r].outcome, s);
            cases[class][s] += seen.share;
            faults[class][s] += seen.fault;
        }
    for (int s = 0; s < FORECAST_SPANS; s++) {
        double all = 1, all_faults = 0.5;
        for (int k = 0; k < RIVAL_CLASSES; k++) {
            all += cases[k][s];
            all_faults += faults[k][s];
        }
        for (int k = 0; k < RIVAL_CLASSES; k++) {
            double hits = faults[k][s] + SHRINKAGE * all_faults / all;
            out->hazard[k][s] = -log1p(-hits / (cases[k][s] + SHRINKAGE));
            out->error[k][s] = 1 / sqrt(weight_of(s, step_days) * hits);
        }
    }
}
