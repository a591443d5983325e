#include "numeric.h"
#include "risk_parts.h"

#include <math.h>

/* Blocks hold shares from -0.3 to 1 in steps far below what a speed is known to. */
static const double PACKED_FROM = -0.3, PACKED_STEP = 1 / 50000.0;

uint16_t risk_pack_lost(double lost)
{
    return (uint16_t)(fmin(65000, fmax(0, (lost - PACKED_FROM) / PACKED_STEP)) + 0.5);
}

static double unpack_lost(uint16_t packed)
{
    return PACKED_FROM + packed * PACKED_STEP;
}

struct room {
    double days[DRIFT_VALUES], lost[DRIFT_VALUES];
};

static struct drift_series series_of(const struct fan_view *v, struct room *room)
{
    const struct speed_blocks *b = &v->blocks;
    for (size_t k = 0; k < b->count; k++) {
        room->days[k] = -b->half_days[k] / 2.0;
        room->lost[k] = unpack_lost(b->lost[k]);
    }
    return (struct drift_series){room->days, room->lost, b->count, (double)b->noise, RISK_BLOCK_DAYS};
}

/* Series of some views, every so manieth where they are very many. */
static size_t some_series(struct fan_view *const *v, size_t n, struct drift_series **out, struct arena *mem)
{
    enum { MOST = 3000, LEAST_BLOCKS = 4 };
    size_t step = n / MOST + 1, count = 0;

    *out = arena_array(mem, struct drift_series, n / step + 1);
    for (size_t i = 0; i < n; i += step)
        if (v[i]->blocks.count >= LEAST_BLOCKS)
            (*out)[count++] = series_of(v[i], arena_alloc(mem, sizeof(struct room)));
    return count;
}

/* The law of all fans, from which those of the models start. */
static struct drift_law law_of_all(struct assessing *a)
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct fan_view **v = arena_array(mem, struct fan_view *, a->view_count);
    struct drift_series *series;

    for (size_t i = 0; i < a->view_count; i++)
        v[i] = &a->views[i];
    size_t n = some_series(v, a->view_count, &series, mem);
    struct drift_law law = n ? drift_pool(&drift_assumed, series, n, mem) : drift_assumed;
    arena_free(mem);
    return law;
}

static void set_law(struct assessing *a, struct fan_view *const *v, size_t n)
{
    struct drift_series *series;
    size_t count = some_series(v, n, &series, a->scratch);
    struct drift_law *law = arena_alloc(a->mem, sizeof *law);

    *law = count ? drift_pool(a->law, series, count, a->scratch) : *a->law;
    for (size_t i = 0; i < n; i++)
        v[i]->path.law = law;
}

static void set_laws(struct assessing *a)
{
    struct drift_law *all = arena_alloc(a->mem, sizeof *all);
    *all = law_of_all(a);
    a->law = all;
    for (size_t i = 0; i < a->view_count; i++)
        a->views[i].path.law = all;
    risk_by_models(a, set_law);
}

/* Days until the warning speed is reached with probability q. */
static double passage_quantile(const struct speed_path *p, double q)
{
    double low = 0, high = 3650;
    if (p->distance <= 0)
        return 0;
    if (drift_chance(p->ways, p->way_count, p->limit, p->limit_sd, high) < q)
        return D_INF;
    while (high - low > 0.01) {
        double middle = (low + high) / 2;
        if (drift_chance(p->ways, p->way_count, p->limit, p->limit_sd, middle) < q)
            low = middle;
        else
            high = middle;
    }
    return high;
}

double risk_path_probability(const struct speed_path *path, double days, double limits[2])
{
    static const double NEGLIGIBLE = 1e-6;
    limits[0] = limits[1] = 0;
    if (!path->known)
        return 0;
    double p = drift_chance(path->ways, path->way_count, path->limit, path->limit_sd, days);
    if (p > NEGLIGIBLE)
        drift_chance_limits(path->ways, path->way_count, path->limit, path->limit_sd, days, limits);
    limits[0] = path->trust * fmin(p, limits[0]);
    limits[1] = path->trust * fmax(p, limits[1]);
    return path->trust * p;
}

static double fall_of(const struct speed_blocks *b)
{
    uint16_t least = UINT16_MAX;
    for (size_t k = 0; k < b->count; k++)
        least = b->lost[k] < least ? b->lost[k] : least;
    return unpack_lost(b->lost[b->count - 1]) - unpack_lost(least);
}

/* A trend is told when the fan falls beyond doubt and by more than nothing. */
static bool is_falling(const struct fan_view *v)
{
    static const double SURE = 0.9, DOUBT = 0.05, WORTH_TELLING = 0.01;
    return drift_moving(v->path.ways, v->path.way_count) >= SURE && v->risk->not_falling <= DOUBT &&
           fall_of(&v->blocks) > WORTH_TELLING;
}

/* Where the robust slope of the days says nothing or not the same, the law's is told. */
static void set_told_slope(const struct assessing *a, struct fan_view *v)
{
    struct fan_risk *r = v->risk;
    if (r->slope_per_day < 0)
        return;
    double fallen = 0;
    for (size_t i = 0; i < v->path.way_count; i++)
        fallen += v->path.ways[i].weight * v->path.ways[i].fallen_days;
    r->slope_per_day = r->rate_per_day[1];
    r->slope_limits[0] = r->rate_per_day[0];
    r->slope_limits[1] = r->rate_per_day[2];
    r->trend_from_day = a->today - (int32_t)fmin(fallen, RISK_WINDOW_DAYS);
    r->trend_days = v->blocks.count * RISK_BLOCK_DAYS;
}

/* The speeds that are foretold, for the picture. */
static void set_ahead(const struct assessing *a, struct fan_view *v, double baseline)
{
    static const double q[] = {0.9, 0.5, 0.1}; /* of what is lost */
    double(*ahead)[3] = arena_alloc(a->mem, (RISK_AHEAD_STEPS + 1) * sizeof *ahead);

    for (int i = 0; i <= RISK_AHEAD_STEPS; i++)
        for (int k = 0; k < 3; k++)
            ahead[i][k] = baseline * (1 - drift_lost_quantile(v->path.ways, v->path.way_count,
                                                              i * RISK_AHEAD_STEP_DAYS, q[k]));
    v->risk->ahead = (const double(*)[3])ahead;
}

static void set_forecast(const struct assessing *a, struct fan_view *v, double baseline)
{
    static const double q[] = {0.1, 0.5, 0.9};
    struct fan_risk *r = v->risk;
    struct speed_path *p = &v->path;

    r->not_falling = drift_rate_cdf(p->ways, p->way_count, 0);
    for (int i = 0; i < 3; i++)
        r->rate_per_day[i] = -baseline * drift_rate_quantile(p->ways, p->way_count, 1 - q[i]);
    if (!is_falling(v)) {
        r->trend_days = 0;
        return;
    }
    set_told_slope(a, v);
    set_ahead(a, v, baseline);
    for (int i = 0; i < 3; i++)
        r->days_to_warning[i] = passage_quantile(p, q[i]);
}

static void set_path(struct assessing *a, struct fan_view *v)
{
    struct fan_risk *r = v->risk;
    struct speed_path *p = &v->path;
    struct drift_way ways[DRIFT_WAYS];
    struct room room;
    double baseline = isnan(r->baseline_rpm) ? r->level_rpm : r->baseline_rpm, lost = 0;

    r->not_falling = D_NAN;
    for (int i = 0; i < 3; i++)
        r->days_to_warning[i] = r->rate_per_day[i] = D_NAN;
    p->known = v->blocks.count && !isnan(r->level_rpm) && !isnan(r->warning_rpm);
    if (!p->known) {
        r->trend_days = 0;
        return;
    }
    const struct drift_series series = series_of(v, &room);
    p->way_count = drift_judge(p->law, &series, ways);
    drift_wait(ways, p->way_count, -series.days[series.n - 1]);
    p->ways = arena_array(a->mem, struct drift_way, p->way_count);
    for (size_t i = 0; i < p->way_count; i++) {
        p->ways[i] = ways[i];
        lost += ways[i].weight * ways[i].state.level;
    }
    p->limit = 1 - r->warning_rpm / baseline;
    p->limit_sd = v->warning_sd / baseline;
    p->distance = (p->limit - lost) * baseline;
    set_forecast(a, v, baseline);
}

void risk_paths(struct assessing *a)
{
    set_laws(a);
    for (size_t i = 0; i < a->view_count; i++)
        set_path(a, &a->views[i]);
}
