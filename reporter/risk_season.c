#include "numeric.h"
#include "risk_parts.h"
#include "trend.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* One machine's level on each day of the window: the median of its fans' relative speeds. */
static void machine_levels(struct assessing *a, struct fan_view *const *v, size_t n, double *levels)
{
    int32_t first = a->today - RISK_WINDOW_DAYS;
    double *relative = arena_array(a->scratch, double, n *RISK_WINDOW_DAYS);
    size_t count[RISK_WINDOW_DAYS] = {0};

    for (size_t i = 0; i < n; i++)
        for (size_t k = v[i]->fan->day_count; v[i]->risk->baseline_own && k-- > 0;) {
            const struct fan_day *d = &v[i]->fan->days[k];
            if (d->day < first || d->day <= v[i]->touched_day)
                break;
            size_t at = (size_t)(d->day - first);
            if (risk_good_day(d) && at < RISK_WINDOW_DAYS)
                relative[at * n + count[at]++] = d->median / v[i]->risk->baseline_rpm;
        }
    for (size_t at = 0; at < RISK_WINDOW_DAYS; at++)
        levels[at] = trend_median(relative + at * n, count[at], a->scratch);
}

/* Season moves slowly: a day with too few machines running takes the value of the day before. */
static bool fill_days(double *season)
{
    double last = D_NAN;
    for (size_t at = 0; at < RISK_WINDOW_DAYS && isnan(last); at++)
        last = season[at];
    for (size_t at = 0; at < RISK_WINDOW_DAYS; at++)
        last = season[at] = isnan(season[at]) ? last : season[at];
    return !isnan(last);
}

/* Machines by days: their levels, NAN where one does not run. */
struct levels {
    double *at;
    size_t machines;
    double *room; /* for a median of all machines or days */
};

/* The middle over the machines of each day, less what each machine is off by; NAN where too few run. */
static void middle_of_days(const struct levels *l, const double *off, double *middle, struct arena *mem)
{
    for (size_t day = 0; day < RISK_WINDOW_DAYS; day++) {
        size_t running = 0;
        for (size_t m = 0; m < l->machines; m++)
            if (!isnan(l->at[m * RISK_WINDOW_DAYS + day] - off[m]))
                l->room[running++] = l->at[m * RISK_WINDOW_DAYS + day] - off[m];
        middle[day] = running > RISK_PEER_MACHINES ? trend_median(l->room, running, mem) : D_NAN;
    }
}

/* What each machine is off by from the middle of the days on which it runs; NAN: of none. */
static void offs_of_machines(const struct levels *l, const double *middle, double *off, struct arena *mem)
{
    for (size_t m = 0; m < l->machines; m++) {
        size_t running = 0;
        for (size_t day = 0; day < RISK_WINDOW_DAYS; day++)
            if (!isnan(l->at[m * RISK_WINDOW_DAYS + day] - middle[day]))
                l->room[running++] = l->at[m * RISK_WINDOW_DAYS + day] - middle[day];
        off[m] = running ? trend_median(l->room, running, mem) : D_NAN;
    }
}

/*
 * The season: how the days differ for all machines alike, by median polish (Tukey 1977). A machine counts by
 * how it changes, not by where it stands: else machines that are cleaned, and stand higher from then on,
 * would seem to be a season in which all others fall. Where they all stand today is kept.
 */
static void polish(const struct levels *l, double *season, struct arena *mem)
{
    enum { ROUNDS = 4 };
    double *off = arena_array(mem, double, l->machines), *plain = arena_array(mem, double, RISK_WINDOW_DAYS);
    double *moved = arena_array(mem, double, RISK_WINDOW_DAYS);
    size_t n = 0;

    middle_of_days(l, off, plain, mem);
    memcpy(season, plain, RISK_WINDOW_DAYS * sizeof *season);
    for (int round = 0; round < ROUNDS; round++) {
        offs_of_machines(l, season, off, mem);
        middle_of_days(l, off, season, mem);
    }
    for (size_t day = RISK_WINDOW_DAYS - RISK_LEVEL_SPAN_DAYS; day < RISK_WINDOW_DAYS; day++)
        if (!isnan(plain[day] - season[day]))
            moved[n++] = plain[day] - season[day];
    double back = n ? trend_median(moved, n, mem) : 0;
    for (size_t day = 0; day < RISK_WINDOW_DAYS; day++)
        season[day] += back;
}

/* The season of a group in order of machines, so that one fouled cabinet with many fans is one voice. NULL
 * when too few machines run at once. */
static double *season_of(struct assessing *a, struct fan_view *const *v, size_t n)
{
    double *season = arena_array(a->mem, double, RISK_WINDOW_DAYS);
    struct levels l = {.at = arena_array(a->scratch, double, n *RISK_WINDOW_DAYS),
                       .room = arena_array(a->scratch, double, n + RISK_WINDOW_DAYS)};

    for (size_t i = 0, run; i < n; i += run) {
        run = risk_machine_run(v + i, n - i);
        machine_levels(a, v + i, run, l.at + l.machines++ * RISK_WINDOW_DAYS);
    }
    polish(&l, season, a->scratch);
    return fill_days(season) ? season : NULL;
}

static void give_season(struct assessing *a, struct fan_view **v, size_t n)
{
    size_t without = 0;
    for (size_t i = 0; i < n; i++)
        without += !v[i]->season;
    if (!without)
        return;
    arena_reset(a->scratch);
    const double *season = season_of(a, v, n);
    for (size_t i = 0; i < n; i++)
        if (!v[i]->season)
            v[i]->season = season;
}

void risk_seasons(struct assessing *a)
{
    struct arena *mem = arena_new(SIZE_MAX);
    size_t n = a->view_count;
    struct fan_view **v = arena_array(mem, struct fan_view *, n),
                    **all = arena_array(mem, struct fan_view *, n);

    for (size_t i = 0; i < n; i++)
        v[i] = all[i] = &a->views[i];
    if (n)
        qsort(v, n, sizeof *v, risk_by_model);
    for (size_t i = 0, run; i < n; i += run) {
        run = 1;
        while (i + run < n && v[i + run]->fan->model == v[i]->fan->model)
            run++;
        give_season(a, v + i, run);
    }
    /* Where the model has too few machines, all fans of the site stand in: they breathe the same air. */
    give_season(a, all, n);
    arena_free(mem);
}
