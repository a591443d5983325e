#include "numeric.h"
#include "risk_parts.h"
#include "trend.h"
#include "trend_change.h"

#include <math.h>
#include <string.h>

enum { MOST_DAYS = DRIFT_VALUES * RISK_BLOCK_DAYS };

/* Good days, oldest first: days before today, and the speed as it would be in today's season. */
struct days {
    double x[MOST_DAYS], y[MOST_DAYS];
    size_t n;
    double step; /* in which speeds come, in rev/min */
};

/* Readings come in steps of 1, 10 or 50 rev/min, and so do their medians: the least difference of two tells.
 */
static double step_of(const struct fan_day *days, size_t n)
{
    double least = D_INF, before = D_NAN;
    for (size_t i = 0; i < n; i++) {
        if (!risk_good_day(&days[i]))
            continue;
        double off = fabs(days[i].median - before);
        if (off > 0 && off < least)
            least = off;
        before = days[i].median;
    }
    return isinf(least) ? 0 : least;
}

/* The last good days since the fan was touched. */
static void take_days(const struct assessing *a, const struct fan_view *v, struct days *out)
{
    int32_t first = a->today - RISK_WINDOW_DAYS;
    size_t n = 0, at = v->fan->day_count;

    while (at > 0 && n < MOST_DAYS) {
        const struct fan_day *d = &v->fan->days[at - 1];
        if (d->day < first || d->day <= v->touched_day)
            break;
        n += risk_good_day(d);
        at--;
    }
    out->n = n;
    out->step = step_of(&v->fan->days[at], v->fan->day_count - at);
    for (size_t k = 0; k < n; at++) {
        const struct fan_day *d = &v->fan->days[at];
        if (!risk_good_day(d))
            continue;
        out->x[k] = d->day - a->today;
        out->y[k++] = v->season ? d->median * v->season_now / v->season[d->day - first] : d->median;
    }
}

/*
 * Days before a sudden step say nothing of the way from here: an obstruction, a repair that nobody wrote
 * down, another setting of the meter. Wear makes no steps; what it does in a few days is a slope.
 */
static void drop_days_before_step(struct days *d, double baseline, struct arena *mem)
{
    enum { LEAST = 3 };
    static const double SUSPECT = 0.02, STEP = 0.03, NOISE_FLOOR = 0.001;
    double before = D_NAN, jump = 0;

    for (size_t k = 0; k + RISK_BLOCK_DAYS <= d->n; k += RISK_BLOCK_DAYS) {
        double level = trend_median(d->y + k, RISK_BLOCK_DAYS, mem);
        jump = fabs(level - before) > jump ? fabs(level - before) : jump;
        before = level;
    }
    if (jump < SUSPECT * baseline)
        return;
    double moves[MOST_DAYS];
    for (size_t k = 1; k < d->n; k++)
        moves[k - 1] = d->y[k] - d->y[k - 1];
    double noise = TREND_MAD_SCALE / M_SQRT2 * trend_mad(moves, d->n - 1, mem);
    const struct segments how = {.sloped = true,
                                 .least = LEAST,
                                 .noise = fmax(noise, NOISE_FLOOR * baseline),
                                 .penalty = 3 * log((double)d->n)};
    struct step s = trend_last_step(&how, d->x, d->y, d->n, fmax(STEP * baseline, 6 * how.noise), mem);
    d->n -= s.at;
    memmove(d->x, d->x + s.at, d->n * sizeof *d->x);
    memmove(d->y, d->y + s.at, d->n * sizeof *d->y);
}

/* Medians stand for single days: a false one in five does not count. The newest days are in the newest block.
 */
static void set_blocks(struct fan_view *v, const struct days *d, double baseline, struct arena *mem)
{
    struct speed_blocks *b = &v->blocks;
    size_t blocks = d->n / RISK_BLOCK_DAYS, each = RISK_BLOCK_DAYS;

    if (d->n && !blocks) {
        blocks = 1;
        each = d->n;
    }
    b->count = (uint8_t)blocks;
    b->noise = (float)(d->step / baseline / sqrt(12));
    for (size_t k = 0; k < blocks; k++) {
        size_t at = d->n - (blocks - k) * each;
        b->lost[k] = risk_pack_lost(1 - trend_median(d->y + at, each, mem) / baseline);
        b->half_days[k] = (uint8_t)(-2 * trend_median(d->x + at, each, mem));
    }
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

/* The slope of fans that may have one: it costs more than all the rest. */
static void set_slope(const struct assessing *a, struct fan_view *v, const struct days *d)
{
    static const double WORTH_A_LOOK = 0.005; /* of the baseline */
    struct fan_risk *r = v->risk;
    const struct speed_blocks *b = &v->blocks;
    uint16_t least = UINT16_MAX;

    for (size_t k = 0; k < b->count; k++)
        least = b->lost[k] < least ? b->lost[k] : least;
    if (d->n < RISK_TREND_LEAST ||
        b->lost[b->count - 1] - least < risk_pack_lost(WORTH_A_LOOK) - risk_pack_lost(0))
        return;
    size_t n = d->n < RISK_TREND_DAYS ? d->n : RISK_TREND_DAYS;
    struct slope s = newest_slope(d->x + d->n - n, d->y + d->n - n, n, a->scratch);
    r->slope_per_day = s.slope;
    r->slope_limits[0] = s.lower;
    r->slope_limits[1] = s.upper;
    r->trend_from_day = a->today + (int32_t)d->x[d->n - s.n];
    r->trend_days = (int)s.n;
}

static void set_lowest(const struct assessing *a, struct fan_view *v)
{
    struct fan_risk *r = v->risk;
    const struct fan *fan = v->fan;

    r->lowest_rpm = D_NAN;
    for (size_t k = fan->day_count; k-- > 0 && fan->days[k].day >= a->today - RISK_DROPOUT_DAYS;) {
        double lowest = (double)fan->days[k].lowest;
        if (fan->days[k].day > v->touched_day && lowest > 0 && !(lowest >= r->lowest_rpm))
            r->lowest_rpm = lowest;
    }
}

static void judge_speed(const struct assessing *a, struct fan_view *v)
{
    struct fan_risk *r = v->risk;
    struct days d;

    r->slope_per_day = r->slope_limits[0] = r->slope_limits[1] = D_NAN;
    r->trend_from_day = DAY_UNKNOWN;
    set_lowest(a, v);
    if (isnan(r->level_rpm))
        return;
    double baseline = isnan(r->baseline_rpm) ? r->level_rpm : r->baseline_rpm;
    take_days(a, v, &d);
    drop_days_before_step(&d, baseline, a->scratch);
    set_blocks(v, &d, baseline, a->scratch);
    set_slope(a, v, &d);
}

void risk_speeds(struct assessing *a)
{
    for (size_t i = 0; i < a->view_count; i++) {
        arena_reset(a->scratch);
        judge_speed(a, &a->views[i]);
    }
}
