#include "numeric.h"
#include "risk_parts.h"
#include "trend.h"
#include "trend_passage.h"

#include <math.h>
#include <string.h>

/* Warnings from a limit of ours are less sure than from the register's. */
static const double TRUST_REGISTER = 0.97, TRUST_DEFAULT = 0.6;

static void set_warning(struct fan_view *v)
{
    struct fan_risk *r = v->risk;
    const struct fan_model *m = v->fan->model;

    v->path.trust = TRUST_DEFAULT;
    if (m && !isnan(m->warning_rpm)) {
        r->warning_rpm = m->warning_rpm * r->meter_factor;
        r->warning_from = "register";
        v->path.trust = TRUST_REGISTER;
    } else if (m && !isnan(m->rated_rpm)) {
        r->warning_rpm = 0.8 * m->rated_rpm * r->meter_factor;
        r->warning_from = "80 % of rated speed, our default";
    } else {
        r->warning_rpm = 0.8 * r->baseline_rpm;
        r->warning_from = isnan(r->baseline_rpm) ? "not known" : "80 % of its own level, our default";
    }
}

/* The last good days since the fan was touched, oldest first: day before today, speed without the season. */
static size_t series_of(const struct assessing *a, const struct fan_view *v, double *x, double *y)
{
    int32_t first = a->today - RISK_WINDOW_DAYS;
    size_t n = 0, at = v->fan->day_count;

    while (at > 0 && n < RISK_TREND_DAYS) {
        const struct fan_day *d = &v->fan->days[at - 1];
        if (d->day < first || d->day <= v->touched_day)
            break;
        n += risk_good_day(d);
        at--;
    }
    for (size_t k = 0; k < n; at++) {
        const struct fan_day *d = &v->fan->days[at];
        if (!risk_good_day(d))
            continue;
        x[k] = d->day - a->today;
        y[k++] = v->season ? d->median * v->season_now / v->season[d->day - first] : d->median;
    }
    return n;
}

/*
 * Wear accelerates, and a fan may settle after a step: where the newer half of the series has a slope of
 * limits that do not touch those of the whole, the newer half is the trend.
 */
static struct slope newest_slope(const double *x, const double *y, size_t n, struct arena *mem)
{
    struct slope best = trend_slope(x, y, n, 0.95, mem);
    for (size_t m = n / 2; m >= RISK_TREND_LEAST; m /= 2) {
        struct slope newer = trend_slope(x + n - m, y + n - m, m, 0.95, mem);
        if (newer.upper < best.lower || newer.lower > best.upper)
            best = newer;
    }
    return best;
}

/*
 * Diffusion a day of the speed around its drift. Medians of five days stand for single days: the noise of
 * reading would else count as movement.
 */
static double diffusion_of(const double *x, const double *y, size_t n, struct arena *mem)
{
    enum { BLOCK = 5 };
    size_t blocks = n / BLOCK;
    double dy[RISK_TREND_DAYS / BLOCK], dt[RISK_TREND_DAYS / BLOCK], drift, s2, before_x = 0, before_y = 0;

    for (size_t k = 0; k < blocks; k++) {
        size_t at = n - (blocks - k) * BLOCK;
        double mx = trend_median(x + at, BLOCK, mem), my = trend_median(y + at, BLOCK, mem);
        if (k) {
            dy[k - 1] = my - before_y;
            dt[k - 1] = mx - before_x;
        }
        before_x = mx;
        before_y = my;
    }
    if (blocks < 3)
        return 0;
    trend_wiener_fit(dy, dt, blocks - 1, &drift, &s2);
    return sqrt(s2);
}

static bool is_falling(const struct slope *s, double span, double baseline)
{
    return s->upper < 0 && s->p < 0.01 && -s->slope * span > 0.01 * baseline;
}

static void set_trend(struct fan_view *v, const struct slope *s, double span)
{
    struct fan_risk *r = v->risk;
    struct speed_path *path = &v->path;
    double slope_sd = (s->upper - s->lower) / (2 * NORMAL_95);

    r->trend_days = (int)s->n;
    path->drift = -s->slope;
    /* Sen's limits know the scatter of the days, not that a wandering speed makes a slope by itself. */
    path->drift_sd = sqrt(slope_sd * slope_sd + path->diffusion * path->diffusion / span);
}

/* Nine slices of equal weight of a normal law stand for the slope that is not known exactly. */
static double passage(const struct speed_path *p, double days)
{
    static const double z[] = {-1.5932188180, -0.9674215661, -0.5894557627, -0.2822161471, 0,
                               0.2822161471,  0.5894557627,  0.9674215661,  1.5932188180};
    enum { SLICES = sizeof z / sizeof *z };
    double sum = 0;
    for (size_t i = 0; i < SLICES; i++)
        sum += trend_passage_cdf(days, p->distance, p->drift + z[i] * p->drift_sd, p->diffusion);
    return sum / SLICES;
}

/* Days until the warning speed is reached with probability q. */
static double passage_quantile(const struct speed_path *p, double q)
{
    double low = 0, high = 3650;
    if (p->distance <= 0)
        return 0;
    if (passage(p, high) < q)
        return D_INF;
    while (high - low > 0.01) {
        double middle = (low + high) / 2;
        if (passage(p, middle) < q)
            low = middle;
        else
            high = middle;
    }
    return high;
}

double risk_path_probability(const struct speed_path *path, double days, double limits[2])
{
    if (!path->known) {
        limits[0] = limits[1] = 0;
        return 0;
    }
    const double out = 1.2815515655; /* the 10 and 90 % points of the slope */
    double slow =
        trend_passage_cdf(days, path->distance, path->drift - out * path->drift_sd, path->diffusion);
    double fast =
        trend_passage_cdf(days, path->distance, path->drift + out * path->drift_sd, path->diffusion);
    double p = path->trust * passage(path, days);
    limits[0] = fmin(p, path->trust * slow);
    limits[1] = fmax(p, path->trust * fast);
    return p;
}

static void set_slope(struct assessing *a, struct fan_view *v)
{
    enum { LEAST_DIFFUSION_PPM = 500 };
    struct fan_risk *r = v->risk;
    double x[RISK_TREND_DAYS], y[RISK_TREND_DAYS];

    arena_reset(a->scratch);
    r->slope_per_day = r->slope_limits[0] = r->slope_limits[1] = D_NAN;
    r->trend_from_day = DAY_UNKNOWN;
    set_warning(v);
    v->path.known = !isnan(r->level_rpm) && !isnan(r->warning_rpm);
    if (!v->path.known)
        return;

    size_t n = series_of(a, v, x, y);
    double least = LEAST_DIFFUSION_PPM * 1e-6 * r->level_rpm, ahead = 0;
    v->path.diffusion = fmax(least, diffusion_of(x, y, n, a->scratch));
    if (n >= RISK_TREND_LEAST) {
        struct slope s = newest_slope(x, y, n, a->scratch);
        double from = x[n - s.n], span = x[n - 1] - from;
        r->slope_per_day = s.slope;
        r->slope_limits[0] = s.lower;
        r->slope_limits[1] = s.upper;
        r->trend_from_day = a->today + (int32_t)from;
        if (is_falling(&s, span, r->baseline_rpm)) {
            set_trend(v, &s, span);
            size_t newest = n < RISK_LEVEL_DAYS ? n : RISK_LEVEL_DAYS;
            ahead = s.slope * -trend_median(x + n - newest, newest, a->scratch);
        }
    }
    v->path.level = r->level_rpm + ahead;
}

void risk_trends(struct assessing *a)
{
    for (size_t i = 0; i < a->view_count; i++)
        set_slope(a, &a->views[i]);
}

static void set_path(struct fan_view *v)
{
    static const double q[] = {0.1, 0.5, 0.9};
    struct fan_risk *r = v->risk;

    set_warning(v); /* by its meter's factor, which is known now */
    v->path.distance = v->path.known ? v->path.level - r->warning_rpm : 0;
    for (int i = 0; i < 3; i++)
        r->days_to_warning[i] = v->path.known && r->trend_days ? passage_quantile(&v->path, q[i]) : D_NAN;
}

void risk_paths(struct assessing *a)
{
    for (size_t i = 0; i < a->view_count; i++)
        set_path(&a->views[i]);
}
