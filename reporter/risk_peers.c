#include "numeric.h"
#include "risk_parts.h"
#include "trend.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

bool risk_good_day(const struct fan_day *d)
{
    return d->covered_s >= RISK_GOOD_COVER_S && !isnan(d->median);
}

const struct fan_day *risk_last_good(const struct fan *fan)
{
    for (size_t i = fan->day_count; i-- > 0;)
        if (risk_good_day(&fan->days[i]))
            return &fan->days[i];
    return NULL;
}

size_t risk_machine_run(struct fan_view *const *v, size_t n)
{
    size_t run = 1;
    while (run < n && v[run]->fan->drive->machine == v[0]->fan->drive->machine)
        run++;
    return run;
}

size_t risk_machine_views(const struct assessing *a, size_t at)
{
    size_t n = 1;
    while (at + n < a->view_count && a->views[at + n].fan->drive->machine == a->views[at].fan->drive->machine)
        n++;
    return n;
}

/* Work after which a speed is not comparable with the one before. */
static bool changes_speed(enum work_action a)
{
    return a == WORK_CLEANED || a == WORK_RESEATED || a == WORK_REPLACED || a == WORK_HOUSING ||
           a == WORK_DRIVE;
}

static int32_t touched_day(const struct fan *fan)
{
    int32_t day = fan->installed_day;
    for (size_t i = 0; i < fan->work_count; i++)
        if (changes_speed(fan->work[i].action) && day_of(fan->work[i].done_us) > day)
            day = day_of(fan->work[i].done_us);
    return day;
}

/* Median of the first good days after a day; NAN when they are too few. */
static double first_level(const struct fan *fan, int32_t after, struct arena *mem, int32_t *from)
{
    double speed[RISK_BASELINE_DAYS];
    size_t n = 0;
    for (size_t i = 0; i < fan->day_count && n < RISK_BASELINE_DAYS; i++) {
        if (fan->days[i].day <= after || !risk_good_day(&fan->days[i]))
            continue;
        if (n == 0)
            *from = fan->days[i].day;
        speed[n++] = fan->days[i].median;
    }
    return n < RISK_BASELINE_LEAST ? D_NAN : trend_median(speed, n, mem);
}

static void set_own_baseline(struct assessing *a, struct fan_view *v)
{
    struct fan_risk *r = v->risk;
    int32_t touched_from = DAY_UNKNOWN;

    v->touched_day = touched_day(v->fan);
    r->baseline_rpm = first_level(v->fan, v->fan->installed_day, a->scratch, &r->baseline_day);
    double touched = first_level(v->fan, v->touched_day, a->scratch, &touched_from);
    if (!isnan(touched) && !(r->baseline_rpm >= touched)) {
        r->baseline_rpm = touched;
        r->baseline_day = touched_from;
    }
    r->baseline_own = !isnan(r->baseline_rpm);
}

int risk_by_model(const void *x, const void *y)
{
    const struct fan_view *v = *(struct fan_view *const *)x, *w = *(struct fan_view *const *)y;
    if (v->fan->model != w->fan->model)
        return v->fan->model < w->fan->model ? -1 : 1;
    return (v > w) - (v < w); /* the views are in order of keys */
}

/* Median of the own baselines of some views; NAN when fewer than 'least' have one. */
static double median_baseline(struct assessing *a, struct fan_view *const *v, size_t n, size_t least)
{
    double *speed = arena_array(a->scratch, double, n);
    size_t count = 0;
    for (size_t i = 0; i < n; i++)
        if (v[i]->risk->baseline_own)
            speed[count++] = v[i]->risk->baseline_rpm;
    return count < least ? D_NAN : trend_median(speed, count, a->scratch);
}

/*
 * Tachometers give 1, 2, 4 or 6 pulses a revolution; a wrong constant shows a fan at exactly 1/2, 2, 1/3 or 3
 * times its true speed from the first day on.
 */
static double meter_factor(double baseline, double reference)
{
    static const double factors[] = {0.5, 2, 1.0 / 3, 3};
    for (size_t i = 0; i < sizeof factors / sizeof *factors; i++)
        if (fabs(baseline / reference / factors[i] - 1) < 0.06)
            return factors[i];
    return 1;
}

static void use_peers_baselines(struct assessing *a, struct fan_view *const *v, size_t n)
{
    double at_site = median_baseline(a, v, n, RISK_PEER_MACHINES);
    for (size_t i = 0; i < n; i++)
        if (!v[i]->risk->baseline_own)
            v[i]->risk->baseline_rpm = isnan(at_site) ? v[0]->fan->model->rated_rpm : at_site;
}

static void set_meter_factors(struct assessing *a, struct fan_view *const *v, size_t n)
{
    double common = median_baseline(a, v, n, RISK_PEER_MACHINES + 1);
    double reference = isnan(common) ? v[0]->fan->model->rated_rpm : common;
    for (size_t i = 0; i < n; i++)
        if (v[i]->risk->baseline_own)
            v[i]->risk->meter_factor = meter_factor(v[i]->risk->baseline_rpm, reference);
}

void risk_by_models(struct assessing *a,
                    void (*judge)(struct assessing *a, struct fan_view *const *v, size_t n))
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct fan_view **v = arena_array(mem, struct fan_view *, a->view_count);
    size_t n = 0;

    for (size_t i = 0; i < a->view_count; i++)
        if (a->views[i].fan->model)
            v[n++] = &a->views[i];
    if (n)
        qsort(v, n, sizeof *v, risk_by_model);
    for (size_t i = 0, run; i < n; i += run) {
        run = 1;
        while (i + run < n && v[i + run]->fan->model == v[i]->fan->model)
            run++;
        arena_reset(a->scratch);
        judge(a, v + i, run);
    }
    arena_free(mem);
}

void risk_baselines(struct assessing *a)
{
    for (size_t i = 0; i < a->view_count; i++) {
        arena_reset(a->scratch);
        set_own_baseline(a, &a->views[i]);
        a->views[i].risk->meter_factor = 1;
    }
    risk_by_models(a, use_peers_baselines);
}

void risk_meter_factors(struct assessing *a)
{
    risk_by_models(a, set_meter_factors);
}

/* The level and the season on the same days. */
static void set_level(struct assessing *a, struct fan_view *v)
{
    struct fan_risk *r = v->risk;
    double speed[RISK_LEVEL_DAYS], season[RISK_LEVEL_DAYS];
    size_t n = 0;
    int32_t first = a->today - RISK_LEVEL_SPAN_DAYS;

    for (size_t k = v->fan->day_count; k-- > 0 && n < RISK_LEVEL_DAYS;) {
        const struct fan_day *d = &v->fan->days[k];
        if (d->day < first || d->day <= v->touched_day)
            break;
        if (!risk_good_day(d))
            continue;
        speed[n] = d->median;
        season[n++] = v->season ? v->season[d->day - (a->today - RISK_WINDOW_DAYS)] : 1;
    }
    r->level_rpm = trend_median(speed, n, a->scratch);
    v->season_now = n ? trend_median(season, n, a->scratch) : 1;
    r->relative = r->level_rpm / r->baseline_rpm;
    r->peer_relative = v->season ? r->relative / v->season_now : D_NAN;
}

static int by_size(const void *a, const void *b)
{
    const double *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

/* The machine's other fans against the season. Of an even number the upper middle counts: more than half of
 * them must have fallen before the air is blamed. */
static void set_cabinet(struct assessing *a, struct fan_view *v, size_t n)
{
    double *others = arena_array(a->scratch, double, n);
    for (size_t i = 0; i < n; i++) {
        size_t count = 0;
        for (size_t k = 0; k < n; k++) {
            const struct fan_risk *r = v[k].risk;
            if (k != i && r->baseline_own && !isnan(r->relative))
                others[count++] = r->relative / v[k].season_now;
        }
        qsort(others, count, sizeof *others, by_size);
        v[i].risk->cabinet_relative = count >= 2 ? others[count / 2] : D_NAN;
    }
}

void risk_levels(struct assessing *a)
{
    arena_reset(a->scratch);
    for (size_t i = 0; i < a->view_count; i++)
        set_level(a, &a->views[i]);
    for (size_t i = 0, run; i < a->view_count; i += run) {
        run = risk_machine_views(a, i);
        set_cabinet(a, &a->views[i], run);
    }
}
