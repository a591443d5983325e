#include "numeric.h"
#include "risk_parts.h"

#include <math.h>

/* No witness is so sure that others could not be heard beside it. */
static const double SUREST = 0.9999;

static double hazard_of(double probability)
{
    return -log1p(-fmin(SUREST, probability));
}

static void look_at_speed(const struct fan_view *v, double days, struct look *look)
{
    double p, limits[2];
    if (v->risk->stopped) {
        p = 0.99;
        limits[0] = 0.95;
        limits[1] = 0.999;
    } else if (v->path.known) {
        p = risk_path_probability(&v->path, days, limits);
    } else {
        return;
    }
    look->middle[WITNESS_SPEED] = hazard_of(p);
    look->low[WITNESS_SPEED] = hazard_of(limits[0]);
    look->high[WITNESS_SPEED] = hazard_of(limits[1]);
}

static void look_at_life(const struct fan_view *v, double days, struct look *look)
{
    double age = v->pace * v->risk->age_hours, span = v->pace * 24 * days;
    double limits[2], p = life_conditional(v->life, age, span);
    if (isnan(p))
        return;
    life_conditional_limits(v->life, age, span, limits);
    look->middle[WITNESS_LIFE] = hazard_of(p);
    look->low[WITNESS_LIFE] = hazard_of(isnan(limits[0]) ? p : fmin(p, limits[0]));
    look->high[WITNESS_LIFE] = hazard_of(isnan(limits[1]) ? p : fmax(p, limits[1]));
}

static void set_all(struct look *look, enum witness witness, double hazard)
{
    look->middle[witness] = look->low[witness] = look->high[witness] = hazard;
}

/* All that the fan's witnesses say of the next days. */
static struct look look_ahead(const struct fan_view *v, double days)
{
    struct look look;
    double limits[2];

    for (int k = 0; k < WITNESSES; k++)
        set_all(&look, (enum witness)k, D_NAN);
    look_at_speed(v, days, &look);
    look_at_life(v, days, &look);
    look.middle[WITNESS_RATE] = hazard_of(risk_event_probability(v, days, limits));
    look.low[WITNESS_RATE] = hazard_of(limits[0]);
    look.high[WITNESS_RATE] = hazard_of(limits[1]);
    set_all(&look, WITNESS_DROPOUTS, -log1p(-v->dropout_monthly) * days / RISK_DROPOUT_DAYS);
    if (v->path.known)
        set_all(&look, WITNESS_FALL, forecast_fall(1 - v->risk->relative / v->season_now, days));
    return look;
}

void risk_outlook(const struct fan_view *v, double days, struct outlook *o)
{
    *o = (struct outlook){.days = days, .view = v};
    for (int s = 0; s < FORECAST_SPANS; s++)
        if (forecast_ends[s] <= OUTLOOK_LEAST_DAYS || forecast_ends[s] < days)
            o->ends[s] = look_ahead(v, forecast_ends[s]);
    o->at = look_ahead(v, days);
}

static const struct look *look_of(const struct outlook *o, double days)
{
    for (int s = 0; s < FORECAST_SPANS; s++)
        if (days == forecast_ends[s] && days != o->days)
            return &o->ends[s];
    return &o->at;
}

static void from_to(const double *from, const double *to, double out[WITNESSES])
{
    for (int k = 0; k < WITNESSES; k++)
        out[k] = from ? fmax(0, to[k] - from[k]) : to[k];
    /* fmax drops NAN, which must stay: the witness says nothing */
    for (int k = 0; k < WITNESSES; k++)
        if (isnan(to[k]))
            out[k] = D_NAN;
}

void risk_witnesses(const struct outlook *o, struct fan_witnesses *out)
{
    for (int s = 0; s < FORECAST_SPANS; s++)
        from_to(s ? look_of(o, forecast_ends[s - 1])->middle : NULL, look_of(o, forecast_ends[s])->middle,
                out->hazard[s]);
}

struct signs risk_signs(const struct assessing *a, const struct fan_view *views, size_t n)
{
    struct signs signs = {D_NAN, D_NAN, D_INF};

    for (size_t k = 0; k < n; k++) {
        const struct fan_risk *r = views[k].risk;
        if (!(r->age_hours <= signs.age_hours))
            signs.age_hours = isnan(r->age_hours) ? signs.age_hours : r->age_hours;
        double level = r->stopped ? 0 : r->relative / views[k].season_now;
        if (!isnan(level) && !(level >= signs.slowest))
            signs.slowest = level;
    }
    const struct drive *d = n ? views[0].fan->drive : NULL;
    if (d && d->episode_count)
        signs.quiet_days =
            (double)(a->fleet->as_of_us - d->episodes[d->episode_count - 1].began_us) / (double)US_PER_DAY;
    return signs;
}

/* Hazards with the witnesses' own limits, and how they move with the terms of the combination. */
struct hazard {
    double middle, low, high;
    double gradient[FORECAST_TERMS];
    double error; /* of the log, beside that of the terms */
};

static void add_sum(const struct outlook *o, double days, struct hazard *h)
{
    const struct look *look = look_of(o, days);
    h->middle += forecast_sum(look->middle);
    h->low += forecast_sum(look->low);
    h->high += forecast_sum(look->high);
}

static void add_combined(const struct combination *c, const struct outlook *o, double days, struct hazard *h)
{
    for (int s = 0; s < FORECAST_SPANS && forecast_begin(s) < days; s++) {
        double begin = forecast_begin(s), end = forecast_ends[s], part[WITNESSES];
        double to_days = s + 1 < FORECAST_SPANS ? fmin(days, end) : days;
        double share = (to_days - begin) / (end - begin);
        const struct look *from = begin > 0 ? look_of(o, begin) : NULL, *to = look_of(o, to_days);
        from_to(from ? from->middle : NULL, to->middle, part);
        h->middle += forecast_combine(c, s, share, part, h->gradient);
        from_to(from ? from->low : NULL, to->low, part);
        h->low += forecast_combine(c, s, share, part, NULL);
        from_to(from ? from->high : NULL, to->high, part);
        h->high += forecast_combine(c, s, share, part, NULL);
    }
}

/* A rule knows drives only: a fan's part is that which the plain sum of its witnesses has of the drive's. */
static void add_rival(const struct rival_table *t, int class, double days, double part, struct hazard *h)
{
    double sum = 0, variance = 0;
    for (int s = 0; s < FORECAST_SPANS && forecast_begin(s) < days; s++) {
        double begin = forecast_begin(s), end = forecast_ends[s];
        double to_days = s + 1 < FORECAST_SPANS ? fmin(days, end) : days;
        double hazard = t->hazard[class][s] * (to_days - begin) / (end - begin);
        sum += hazard;
        variance += hazard * hazard * t->error[class][s] * t->error[class][s];
    }
    h->middle += part * sum;
    h->low += part * sum;
    h->high += part * sum;
    h->error = sum > 0 ? sqrt(variance) / sum : 0;
}

static double plain_part(const struct outlook *o, size_t n, size_t k, double days)
{
    double all = 0;
    for (size_t i = 0; i < n; i++)
        all += o[i].view->risk->unknown ? 0 : forecast_sum(look_of(&o[i], days)->middle);
    return all > 0 ? forecast_sum(look_of(&o[k], days)->middle) / all : 1.0 / (double)n;
}

static void add_fan(const struct assessing *a, const struct outlook *o, size_t n, size_t k, double days,
                    struct hazard *h)
{
    const struct calibration *c = a->fleet->calibration;
    const struct fan_view *v = o[k].view;

    if (!c || c->method == METHOD_SUM || v->suspect) /* an open fault is seen, not forecast */
        add_sum(&o[k], days, h);
    else if (c->method == METHOD_COMBINED)
        add_combined(&c->combination, &o[k], days, h);
    else {
        enum rival rival = (enum rival)(c->method - METHOD_AGE);
        struct signs signs = risk_signs(a, v - k, n);
        add_rival(&c->rivals[rival], forecast_class(rival, &signs), days, plain_part(o, n, k, days), h);
    }
}

/* Limits: the witnesses' own, and those of the terms, as distances on the log scale that are independent. */
static struct chance chance_of(const struct assessing *a, const struct hazard *h)
{
    const double out = 1.6448536270; /* the 5 and 95 % points */
    const struct calibration *c = a->fleet->calibration;
    double error = h->error, low = h->low, high = h->high;

    if (c && h->middle > 0) {
        double terms = out * hypot(error, forecast_log_error(&c->combination, h->middle, h->gradient));
        low = low > 0 ? h->middle * exp(-hypot(terms, log(h->middle / low))) : 0;
        high = h->middle * exp(hypot(terms, log(high / h->middle)));
    }
    return (struct chance){-expm1(-h->middle),
                           {-expm1(-fmin(low, h->middle)), -expm1(-fmax(high, h->middle))}};
}

struct chance risk_fan_chance(const struct assessing *a, const struct outlook *o, size_t n, size_t k,
                              double days)
{
    struct hazard h = {0};
    add_fan(a, o, n, k, days, &h);
    return chance_of(a, &h);
}

struct chance risk_drive_chance(const struct assessing *a, const struct outlook *o, size_t n, double days)
{
    struct hazard h = {0};
    for (size_t k = 0; k < n; k++)
        if (!o[k].view->risk->unknown)
            add_fan(a, o, n, k, days, &h);
    return chance_of(a, &h);
}
