#include "numeric.h"
#include "risk_parts.h"

#include <math.h>
#include <string.h>

enum { PRIOR_SPANS = 4, MONTHS = 12, DROPOUTS_THAT_COUNT = 2 };

static bool is_heat_sink(const struct fan *fan)
{
    return strcmp(fan->position, "heat-sink") == 0;
}

static enum fault_kind kind_of(const struct fan *fan)
{
    return is_heat_sink(fan) ? FAULT_HEAT_SINK_FAN : FAULT_FAN;
}

static int fans_of_kind(const struct drive *d, enum fault_kind kind)
{
    int n = 0;
    for (size_t k = 0; k < d->fan_count; k++)
        n += kind_of(&d->fans[k]) == kind;
    return n;
}

static int episodes_between(const struct drive *d, enum fault_kind kind, int64_t from_us, int64_t to_us)
{
    int n = 0;
    for (size_t i = 0; i < d->episode_count; i++)
        n += d->episodes[i].fault == kind && d->episodes[i].began_us >= from_us &&
             d->episodes[i].began_us < to_us;
    return n;
}

/* The last work on the fans that a fault may be of, but looking without finding anything. */
static int64_t last_work(const struct drive *d, enum fault_kind kind)
{
    int64_t last = TIME_UNKNOWN;
    for (size_t k = 0; k < d->fan_count; k++)
        for (size_t i = 0; kind_of(&d->fans[k]) == kind && i < d->fans[k].work_count; i++)
            if (d->fans[k].work[i].action != WORK_NONE && d->fans[k].work[i].done_us > last)
                last = d->fans[k].work[i].done_us;
    return last;
}

/* Start of the look back of RISK_EVENT_DAYS, not before the site's records. */
static int64_t look_back(const struct assessing *a, int32_t records)
{
    int64_t from = a->fleet->as_of_us - RISK_EVENT_DAYS * US_PER_DAY;
    return records != DAY_UNKNOWN && day_start_us(records) > from ? day_start_us(records) : from;
}

/* Sums over all drives and spans of RISK_EVENT_DAYS back from now that lie within the site's records. */
struct span_sums {
    double spans, count, squares;
};

static struct span_sums sum_spans(const struct assessing *a, enum fault_kind kind, const int32_t *starts)
{
    struct span_sums sums = {0, 0, 0};
    for (size_t i = 0; i < a->drive_count; i++) {
        const struct drive *d = a->drives[i].drive;
        int32_t records = starts[d->machine->site - a->fleet->sites];
        for (int k = 0; fans_of_kind(d, kind) && k < PRIOR_SPANS && records != DAY_UNKNOWN; k++) {
            int64_t to = a->fleet->as_of_us - k * RISK_EVENT_DAYS * US_PER_DAY;
            int64_t from = to - RISK_EVENT_DAYS * US_PER_DAY;
            if (from < day_start_us(records))
                break;
            double n = episodes_between(d, kind, from, to + (k == 0));
            sums.spans++;
            sums.count += n;
            sums.squares += n * n;
        }
    }
    return sums;
}

static struct fault_rate rate_of(double shape, double days)
{
    return (struct fault_rate){
        shape, days, {chi_square_quantile(0.05, 2 * shape), chi_square_quantile(0.95, 2 * shape)}};
}

/*
 * How the drives' fault rates are spread, over drives and times: a gamma law by the method of moments from
 * the counts n of equal spans t, as for a Poisson law whose rate varies: E n = m t and
 * var n = m t + (m t)^2 / shape.
 */
static struct fault_rate prior_of(const struct assessing *a, enum fault_kind kind, const int32_t *starts)
{
    struct span_sums s = sum_spans(a, kind, starts);
    if (s.count <= 0)
        return (struct fault_rate){0, 0, {0, 0}};
    double mean = s.count / s.spans, over = s.squares / s.spans - mean * mean - mean;
    double shape = over > 0 ? fmin(20, fmax(0.005, mean * mean / over)) : 20;
    return rate_of(shape, shape / mean * RISK_EVENT_DAYS);
}

static const struct episode *open_episode(const struct drive *d, enum fault_kind kind)
{
    for (size_t i = d->episode_count; i-- > 0;)
        if (d->episodes[i].fault == kind && d->episodes[i].outcome == EPISODE_OPEN)
            return &d->episodes[i];
    return NULL;
}

/* Of two internal fans the one that is clearly slower or stands; NULL: it may be either. */
static const struct fan_risk *slower_fan(const struct drive_risk *d)
{
    const struct fan_risk *slow = NULL;
    for (size_t k = 0; k < d->fan_count; k++) {
        const struct fan_risk *r = &d->fans[k];
        if (is_heat_sink(r->fan))
            continue;
        double speed = r->stopped ? 0 : r->relative;
        if (speed < 0.95 && (!slow || speed < (slow->stopped ? 0 : slow->relative)))
            slow = r;
    }
    return slow;
}

static void set_faults(const struct assessing *a, struct drive_risk *d, struct fan_view *views,
                       enum fault_kind kind, const struct fault_rate *prior, int32_t records)
{
    const struct drive *drive = d->drive;
    const struct episode *open = open_episode(drive, kind);
    const struct fan_risk *slow = open && kind == FAULT_FAN ? slower_fan(d) : NULL;
    int64_t from = look_back(a, records), worked = last_work(drive, kind);
    int fans = fans_of_kind(drive, kind);

    if (worked > from)
        from = worked;
    struct fault_rate rate = *prior;
    int recent = fans ? episodes_between(drive, kind, from, a->fleet->as_of_us + 1) : 0;
    d->recent_episodes += recent;
    for (size_t i = 0; fans && i < drive->episode_count; i++)
        d->recent_cleared += drive->episodes[i].fault == kind && drive->episodes[i].began_us >= from &&
                             drive->episodes[i].outcome == EPISODE_CLEARED_BY_ITSELF;
    if (open && (!d->open || open->began_us < d->open->began_us))
        d->open = open;
    double days = (double)(a->fleet->as_of_us - from) / (double)US_PER_DAY;
    if (prior->days > 0 && recent)
        rate = rate_of(prior->shape + recent, prior->days + days);
    else
        rate.days += days;
    for (size_t k = 0; k < d->fan_count; k++) {
        if (kind_of(views[k].fan) != kind)
            continue;
        if (prior->days > 0)
            views[k].faults = rate;
        views[k].sharers = slow ? 1 : fans;
        views[k].suspect = open && (!slow || slow == views[k].risk);
    }
}

/* Marks a machine's fans day by day: how many have a good day, and how many of these with drop-outs. */
struct day_marks {
    int32_t first;
    size_t count;
    int *good, *broken;
};

static bool is_broken(const struct fan_day *d)
{
    return risk_good_day(d) && (d->zero_readings > 0 || d->unavailable_readings > 0);
}

static struct day_marks mark_days(struct assessing *a, const struct fan_view *v, size_t n)
{
    struct day_marks m = {.first = a->today - (MONTHS + 1) * RISK_DROPOUT_DAYS};
    m.count = (size_t)(a->today - m.first);
    m.good = arena_array(a->scratch, int, m.count);
    m.broken = arena_array(a->scratch, int, m.count);
    for (size_t i = 0; i < n; i++)
        for (size_t k = v[i].fan->day_count; k-- > 0 && v[i].fan->days[k].day >= m.first;) {
            const struct fan_day *d = &v[i].fan->days[k];
            size_t at = (size_t)(d->day - m.first);
            if (at >= m.count || !risk_good_day(d))
                continue;
            m.good[at]++;
            m.broken[at] += is_broken(d);
        }
    return m;
}

/*
 * Drop-outs of a fan by month back from today: days with zeros or without a value while most of the machine's
 * other fans had none. All at once is the machine or its source, not a fan; alone it cannot be told.
 */
static void count_dropouts(const struct assessing *a, const struct fan_view *v, const struct day_marks *m,
                           int months[MONTHS + 1])
{
    for (size_t k = v->fan->day_count; k-- > 0 && v->fan->days[k].day >= m->first;) {
        const struct fan_day *d = &v->fan->days[k];
        size_t at = (size_t)(d->day - m->first);
        if (at >= m->count || d->day <= v->touched_day || !is_broken(d))
            continue;
        int others = m->good[at] - 1, broken = m->broken[at] - 1;
        if (others > 0 && 2 * broken < others)
            months[(a->today - 1 - d->day) / RISK_DROPOUT_DAYS]++;
    }
}

static bool fault_in(const struct assessing *a, const struct drive *d, int month)
{
    int64_t to = day_start_us(a->today - month * RISK_DROPOUT_DAYS);
    for (size_t i = 0; i < d->episode_count; i++)
        if (d->episodes[i].began_us < to && d->episodes[i].began_us >= to - RISK_DROPOUT_DAYS * US_PER_DAY)
            return true;
    return false;
}

void risk_dropouts(struct assessing *a)
{
    for (size_t i = 0, n; i < a->view_count; i += n) {
        n = risk_machine_views(a, i);
        arena_reset(a->scratch);
        struct day_marks marks = mark_days(a, &a->views[i], n);
        for (size_t k = i; k < i + n; k++) {
            int months[MONTHS + 1] = {0};
            count_dropouts(a, &a->views[k], &marks, months);
            a->views[k].risk->dropout_days = months[0];
            for (int m = 1; m <= MONTHS; m++)
                if (months[m] >= DROPOUTS_THAT_COUNT) {
                    a->dropout_months++;
                    a->dropout_followed += fault_in(a, a->views[k].fan->drive, m - 1);
                }
        }
    }
}

/* How often a month with drop-outs was followed by a month with a fault, in the fleet's own history; before
 * there is any, a quarter is taken, with the weight of two cases. */
static void set_dropouts(struct assessing *a)
{
    double monthly = (a->dropout_followed + 0.5) / (a->dropout_months + 2);
    for (size_t i = 0; i < a->view_count; i++)
        if (a->views[i].risk->dropout_days >= DROPOUTS_THAT_COUNT)
            a->views[i].dropout_monthly = monthly;
}

void risk_events(struct assessing *a)
{
    const int32_t *starts = a->starts;
    struct fault_rate internal = prior_of(a, FAULT_FAN, starts);
    struct fault_rate heat_sink = prior_of(a, FAULT_HEAT_SINK_FAN, starts);

    set_dropouts(a);
    for (size_t i = 0; i < a->view_count; i++) {
        struct fan_view *v = &a->views[i];
        if (i && v->fan->drive == v[-1].fan->drive)
            continue;
        struct drive_risk *d = &a->drives[v->drive - a->drives];
        int32_t records = starts[d->drive->machine->site - a->fleet->sites];
        set_faults(a, d, v, FAULT_FAN, &internal, records);
        set_faults(a, d, v, FAULT_HEAT_SINK_FAN, &heat_sink, records);
    }
}

static double share(double p, int sharers)
{
    return -expm1(log1p(-p) / sharers);
}

double risk_event_probability(const struct fan_view *v, double days, double limits[2])
{
    limits[0] = limits[1] = 0;
    if (v->suspect) {
        limits[0] = share(0.97, v->sharers);
        limits[1] = share(0.999, v->sharers);
        return share(0.99, v->sharers);
    }
    double p = 0;
    const struct fault_rate *f = &v->faults;
    if (f->days > 0) {
        /* the gamma law's rate mixed over the Poisson law: none in 'days' has (T / (T + days))^shape */
        p = share(-expm1(-f->shape * log1p(days / f->days)), v->sharers);
        for (int i = 0; i < 2; i++) {
            double rate = f->limits[i] / (2 * f->days);
            limits[i] = share(-expm1(-rate * days), v->sharers);
        }
        limits[0] = fmin(limits[0], p);
        limits[1] = fmax(limits[1], p);
    }
    return p;
}
