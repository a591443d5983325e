#include "numeric.h"
#include "risk_parts.h"
#include "trend.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Share of cases in which a drive warns at the speed that is taken for its limit. */
static const double TRUST_REGISTER = 0.97, TRUST_LEARNED = 0.9, TRUST_DEFAULT = 0.6;
static const double DEFAULT_SHARE = 0.8, DEFAULT_SD = 0.03; /* of the rated speed */

static const struct fan_day *day_at(const struct fan *fan, int32_t day)
{
    for (size_t i = fan->day_count; i-- > 0 && fan->days[i].day >= day;)
        if (fan->days[i].day == day)
            return &fan->days[i];
    return NULL;
}

/*
 * What a fan's speed was around a warning: below the drive's limit at the lowest of that day, above it on the
 * day before. A fan that did not dip was not the cause.
 */
static bool speeds_around(const struct fan_view *v, int32_t day, struct warned *out)
{
    static const double DIP = 0.99;
    const struct fan_day *of = day_at(v->fan, day), *before = day_at(v->fan, day - 1);

    if (!of || !before || !risk_good_day(before) || !((double)of->lowest > 0))
        return false;
    *out = (struct warned){v, (double)of->lowest, before->median};
    return out->low < DIP * out->high;
}

static void add_warned(struct assessing *a, const struct warned *w)
{
    if (a->warned_count == a->warned_room) {
        a->warned_room = a->warned_room ? 2 * a->warned_room : 64;
        a->warned = arena_grow(a->mem, a->warned, a->warned_count, a->warned_room, sizeof *a->warned);
    }
    a->warned[a->warned_count++] = *w;
}

/* Of the drive's internal fans the one that dipped deepest on the day of an episode. */
static void learn_from(struct assessing *a, const struct fan_view *v, size_t n, const struct episode *e)
{
    struct warned deepest = {.low = 1, .high = 1}, w;

    for (size_t k = 0; k < n; k++)
        if (strcmp(v[k].fan->position, "heat-sink") != 0 && speeds_around(&v[k], day_of(e->began_us), &w) &&
            w.low / w.high < deepest.low / deepest.high)
            deepest = w;
    if (deepest.view)
        add_warned(a, &deepest);
}

void risk_warned_speeds(struct assessing *a)
{
    for (size_t i = 0, n; i < a->view_count; i += n) {
        const struct drive *d = a->views[i].fan->drive;
        n = d->fan_count;
        for (size_t k = 0; k < d->episode_count; k++)
            if (d->episodes[k].fault == FAULT_FAN)
                learn_from(a, &a->views[i], n, &d->episodes[k]);
    }
}

/* Between these the limit of a fan model's drives lies, by the warnings of its fans; in true rev/min. */
struct bracket {
    double low, high;
    size_t warnings;
};

static int by_size(const void *a, const void *b)
{
    const double *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

/* Some of the warnings are of other causes: a fifth may lie on the wrong side. */
static struct bracket bracket_of(const struct assessing *a, const struct fan_model *model, struct arena *mem)
{
    double *low = arena_array(mem, double, a->warned_count),
           *high = arena_array(mem, double, a->warned_count);
    size_t n = 0;

    for (size_t i = 0; i < a->warned_count; i++) {
        const struct warned *w = &a->warned[i];
        if (w->view->fan->model != model)
            continue;
        low[n] = w->low / w->view->risk->meter_factor;
        high[n++] = w->high / w->view->risk->meter_factor;
    }
    if (!n)
        return (struct bracket){D_NAN, D_NAN, 0};
    qsort(low, n, sizeof *low, by_size);
    qsort(high, n, sizeof *high, by_size);
    double from = low[(n - 1) * 4 / 5], to = high[n / 5];
    return (struct bracket){fmin(from, to), fmax(from, to), n};
}

/* A limit that enough warnings have shown, and narrowly. */
static bool is_learned(const struct bracket *b)
{
    enum { LEAST_WARNINGS = 4 };
    static const double WIDEST = 0.08;
    return b->warnings >= LEAST_WARNINGS && b->high / b->low - 1 <= WIDEST;
}

/* What a register says is believed as long as the warnings do not speak against it. */
static bool agree(double warning_rpm, const struct bracket *b)
{
    static const double NEAR = 0.02;
    return warning_rpm > (1 - NEAR) * b->low && warning_rpm < (1 + NEAR) * b->high;
}

struct limit {
    double rpm, sd, trust;
    const char *from;
};

static struct limit limit_of(struct assessing *a, const struct fan_model *m)
{
    struct bracket b = bracket_of(a, m, a->scratch);

    if (!isnan(m->warning_rpm) && (!is_learned(&b) || agree(m->warning_rpm, &b)))
        return (struct limit){m->warning_rpm, 0, TRUST_REGISTER, "register"};
    if (is_learned(&b))
        return (struct limit){(b.low + b.high) / 2, (b.high - b.low) / sqrt(12), TRUST_LEARNED,
                              arena_printf(a->mem, "learned from %zu warnings at %s to %s", b.warnings,
                                           risk_number(a->mem, b.low), risk_number(a->mem, b.high))};
    return (struct limit){DEFAULT_SHARE * m->rated_rpm, DEFAULT_SD * m->rated_rpm, TRUST_DEFAULT,
                          "80 % of rated speed, our default"};
}

static void give_limit(struct fan_view *v, const struct limit *l)
{
    v->risk->warning_rpm = l->rpm * v->risk->meter_factor;
    v->risk->warning_from = l->from;
    v->warning_sd = l->sd * v->risk->meter_factor;
    v->path.trust = l->trust;
}

static void set_limits(struct assessing *a, struct fan_view *const *v, size_t n)
{
    const struct limit l = limit_of(a, v[0]->fan->model);
    for (size_t i = 0; i < n && !isnan(l.rpm); i++)
        give_limit(v[i], &l);
}

void risk_warning_speeds(struct assessing *a)
{
    for (size_t i = 0; i < a->view_count; i++) {
        double own = a->views[i].risk->baseline_rpm / a->views[i].risk->meter_factor;
        give_limit(&a->views[i],
                   &(struct limit){DEFAULT_SHARE * own, DEFAULT_SD * own, TRUST_DEFAULT,
                                   isnan(own) ? "not known" : "80 % of its own level, our default"});
    }
    risk_by_models(a, set_limits);
}
