#include "risk.h"
#include "risk_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { BOARD_DAYS = 180, BOARD_REPEATS = 2 };

/* An age that says less than this is left to the numbers when there is a speed. */
static const double WORTH_SAYING = 0.02;

const char *cause_word(enum cause c)
{
    static const char *const words[CAUSE_COUNT] = {"worn", "dirt", "connector", "board", "measurement"};
    return words[c];
}

const char *action_word(enum action a)
{
    static const char *const words[] = {"Do now", "This week", "Plan", "Watch"};
    return words[a];
}

const char *risk_number(struct arena *mem, double x)
{
    char digits[32];
    size_t n = (size_t)snprintf(digits, sizeof digits, "%.0f", fabs(x));
    char *out = arena_alloc(mem, n + n / 3 + 2), *to = out;
    if (x <= -0.5)
        *to++ = '-';
    for (size_t i = 0; i < n; i++) {
        if (i && (n - i) % 3 == 0)
            *to++ = ',';
        *to++ = digits[i];
    }
    return out;
}

static double unit(double x)
{
    return x > 0 ? fmin(x, 1) : 0;
}

static int recent_replacements(const struct assessing *a, const struct fan *fan)
{
    int n = 0;
    for (size_t i = 0; i < fan->work_count; i++)
        n += fan->work[i].action == WORK_REPLACED &&
             fan->work[i].done_us >= a->fleet->as_of_us - BOARD_DAYS * US_PER_DAY;
    return n;
}

/* How far the fan itself has fallen: season and, where it is worse, the air of the cabinet taken out. */
static double own_drop(const struct fan_view *v)
{
    const struct fan_risk *r = v->risk;
    double cabinet = r->cabinet_relative < 1 ? r->cabinet_relative : 1;
    return 1 - r->relative / v->season_now / cabinet;
}

void risk_causes(struct assessing *a, struct fan_view *v)
{
    struct fan_risk *r = v->risk;
    double *w = r->cause_weight, sum = 0, drop = own_drop(v);

    if (r->stopped)
        w[CAUSE_WORN] = 0.6;
    else if (drop > 0.03 && r->meter_factor == 1)
        w[CAUSE_WORN] = unit(drop / 0.1) * (r->trend_days ? 1 : 0.6);
    if (1 - r->cabinet_relative > 0.03)
        w[CAUSE_DIRT] = unit((1 - r->cabinet_relative) / 0.1);
    w[CAUSE_CONNECTOR] = unit(r->dropout_days / 3.0) + unit(v->drive->recent_cleared / 4.0) +
                         (r->stopped ? 0.3 : 0) + (v->silent ? 0.5 : 0);
    int replaced = recent_replacements(a, v->fan);
    if (replaced >= BOARD_REPEATS)
        w[CAUSE_BOARD] = 1;
    else if (replaced && v->drive->recent_episodes)
        w[CAUSE_BOARD] = 0.7;
    if (r->meter_factor != 1)
        w[CAUSE_MEASUREMENT] = 1;
    for (int c = 0; c < CAUSE_COUNT; c++)
        sum += w[c];
    for (int c = 0; c < CAUSE_COUNT && sum > 0; c++)
        w[c] /= sum;
}

/* Sentences with the weight by which they are put in order. */
struct reason {
    double weight;
    size_t at;
    const char *text;
};

struct reasons {
    const struct assessing *a;
    struct reason *list;
    size_t count, room;
};

static void add(struct reasons *r, double weight, const char *text)
{
    if (r->count == r->room) {
        r->room = r->room ? 2 * r->room : 8;
        r->list = arena_grow(r->a->mem, r->list, r->count, r->room, sizeof *r->list);
    }
    r->list[r->count] = (struct reason){weight, r->count, text};
    r->count++;
}

static int by_weight(const void *a, const void *b)
{
    const struct reason *x = a, *y = b;
    if (x->weight != y->weight)
        return x->weight > y->weight ? -1 : 1;
    return (x->at > y->at) - (x->at < y->at);
}

static const char *percent(struct arena *mem, double share)
{
    return arena_printf(mem, share < 0.0995 ? "%.1f %%" : "%.0f %%", 100 * share);
}

static const char *month_of(struct arena *mem, int32_t day)
{
    char text[40];
    time_local(day_start_us(day), "UTC", "%B %Y", text, sizeof text);
    return arena_strdup(mem, text);
}

static void add_open(struct reasons *r, const struct drive_risk *d)
{
    char since[48];
    if (!d->open)
        return;
    bool alarm = d->open->alarm_us != TIME_UNKNOWN;
    time_local(alarm ? d->open->alarm_us : d->open->began_us, d->drive->machine->site->time_zone,
               "%Y-%m-%d %H:%M %Z", since, sizeof since);
    add(r, 100,
        arena_printf(r->a->mem, "The drive reports %s of its %s, open since %s.",
                     alarm ? "an alarm" : "a warning",
                     d->open->fault == FAULT_HEAT_SINK_FAN ? "heat-sink fan" : "internal fans", since));
}

static const char *against_what(struct arena *mem, const struct fan_risk *r)
{
    if (isnan(r->relative))
        return "; its own level is not known yet";
    const char *share = percent(mem, r->relative), *level = risk_number(mem, r->baseline_rpm);
    if (r->baseline_own)
        return arena_printf(mem, ", %s of its own level of %s (%s)", share, month_of(mem, r->baseline_day),
                            level);
    return arena_printf(mem, ", %s of %s, the level of its model: it has too few good days of its own yet",
                        share, level);
}

static const char *when_reached(struct arena *mem, const double days[3])
{
    if (!(days[1] <= 365))
        return "not expected within a year";
    if (days[1] < 1)
        return "expected within a day";
    const char *last = days[2] <= 3650 ? arena_printf(mem, "to %.0f", days[2]) : "or more";
    return arena_printf(mem, "expected in %.0f day%s (%.0f %s)", days[1], days[1] < 1.5 ? "" : "s", days[0],
                        last);
}

static const char *where_to(struct arena *mem, const struct fan_view *v)
{
    const struct fan_risk *r = v->risk;
    const char *limit = risk_number(mem, r->warning_rpm);
    const char *from =
        strcmp(r->warning_from, "register") == 0 ? "" : arena_printf(mem, " (%s)", r->warning_from);
    const char *falls = "no trend";

    if (r->trend_days)
        falls = arena_printf(mem,
                             -r->slope_per_day < 9.95 ? "falling %.1f rev/min a day over %d days"
                                                      : "falling %.0f rev/min a day over %d days",
                             -r->slope_per_day, (int)(r->rpm_day - r->trend_from_day + 1));
    if (r->level_rpm <= r->warning_rpm)
        return arena_printf(mem, "%s; that is below its warning speed of %s%s", falls, limit, from);
    if (!r->trend_days)
        return arena_printf(mem, "%s; warning speed %s%s", falls, limit, from);
    return arena_printf(mem, "%s; warning speed %s%s %s", falls, limit, from,
                        when_reached(mem, r->days_to_warning));
}

static double speed_weight(const struct fan_risk *f)
{
    double drop = isnan(f->relative) ? 0 : unit(1 - f->relative);
    return 80 * f->from_trend + 20 * drop;
}

static void add_speed(struct reasons *r, const struct fan_view *v)
{
    struct arena *mem = r->a->mem;
    const struct fan_risk *f = v->risk;

    if (f->stopped)
        add(r, 90,
            arena_printf(mem, "Fan %s reads 0 rev/min while the machine's other fans run.",
                         f->fan->position));
    if (!v->path.known)
        return;
    add(r, speed_weight(f),
        arena_printf(mem, "Fan %s runs at %s rev/min%s; %s.", f->fan->position,
                     risk_number(mem, f->level_rpm), against_what(mem, f), where_to(mem, v)));
    if (f->lowest_rpm < f->warning_rpm && f->level_rpm > f->warning_rpm)
        add(r, 28,
            arena_printf(mem, "Fan %s has dipped to %s rev/min in the last %d days, below its warning speed.",
                         f->fan->position, risk_number(mem, f->lowest_rpm), RISK_DROPOUT_DAYS));
    if (f->meter_factor != 1)
        add(r, 25,
            arena_printf(
                mem,
                "Fan %s has read %.2f times the speed of its model since its first day: a wrong setting "
                "of the speed, not a fault; its limit is taken in the same measure.",
                f->fan->position, f->meter_factor));
}

/* The air is one for all fans of a drive: said once, of the fan whose neighbours have fallen most. */
static void add_air(struct reasons *r, const struct fan_view *views, size_t n)
{
    struct arena *mem = r->a->mem;
    const struct fan_view *worst = NULL;

    for (size_t k = 0; k < n; k++)
        if (1 - views[k].risk->cabinet_relative > 0.03 &&
            (!worst || views[k].risk->cabinet_relative < worst->risk->cabinet_relative))
            worst = &views[k];
    if (!worst)
        return;
    add(r, 30,
        arena_printf(
            mem,
            "The other fans of machine %s have fallen too, to %s of their own levels%s: the air of the "
            "cabinet is the first suspect.",
            worst->fan->drive->machine->machine, percent(mem, worst->risk->cabinet_relative),
            worst->season ? " beyond what the season explains" : ""));
}

/* Never before the sentence that tells of the fall. */
static void add_season(struct reasons *r, const struct fan_view *v)
{
    if (1 - v->risk->peer_relative > 0.03 && !(1 - v->risk->cabinet_relative > 0.03))
        add(r, v->path.known ? fmin(20, speed_weight(v->risk)) : 20,
            arena_printf(
                r->a->mem,
                "Fans of other machines at the site run at %s of their own levels: the season does not "
                "explain the fall of fan %s.",
                percent(r->a->mem, v->season_now), v->fan->position));
}

static void add_events(struct reasons *r, const struct drive_risk *d)
{
    struct arena *mem = r->a->mem;
    int n = d->recent_episodes, cleared = d->recent_cleared;
    const char *of_them = "";

    if (cleared == n)
        of_them = n == 1 ? "; it cleared by itself" : "; all cleared by themselves";
    else if (cleared)
        of_them =
            arena_printf(mem, "; %d of them cleared by %s", cleared, cleared == 1 ? "itself" : "themselves");
    if (n > (d->open ? 1 : 0))
        add(r, 60,
            arena_printf(mem, "%d fan fault%s reported in the last %d days or since the last work%s.", n,
                         n == 1 ? " was" : "s were", RISK_EVENT_DAYS, of_them));
    if (d->drive->warning_hidden == ANSWER_YES)
        add(r, 35, "A machine setting hides the warning of this drive: its alarm would come unannounced.");
}

static void add_fan_history(struct reasons *r, const struct fan_view *v)
{
    struct arena *mem = r->a->mem;
    const struct fan_risk *f = v->risk;
    int replaced = recent_replacements(r->a, f->fan);

    if (f->dropout_days > 1)
        add(r, 55,
            arena_printf(mem, "Fan %s dropped out on %d of the last %d days while its neighbours did not.",
                         f->fan->position, f->dropout_days, RISK_DROPOUT_DAYS));
    if (replaced >= BOARD_REPEATS)
        add(r, 45,
            arena_printf(
                mem, "Fan %s was replaced %d times in %d days: the cause may lie in the drive or its board.",
                f->fan->position, replaced, BOARD_DAYS));
    if (f->unknown)
        add(r, 40, arena_printf(mem, "Fan %s is not in the number: %s.", f->fan->position, f->unknown));
    else if (f->missing)
        add(r, 15,
            arena_printf(mem, "Fan %s: %s; judged by age and episodes only.", f->fan->position, f->missing));
}

/* What stands in for failures of its own. */
static const char *life_from(enum life_method m)
{
    if (m == LIFE_MAXIMUM_LIKELIHOOD)
        return "";
    return m == LIFE_POOLED ? ", the rest from other models" : ", shape of the law assumed";
}

static void add_age(struct reasons *r, const struct fan_view *v)
{
    struct arena *mem = r->a->mem;
    const struct fan_risk *f = v->risk;

    if (isnan(f->from_life) || f->unknown || (v->path.known && f->from_life < WORTH_SAYING))
        return;
    add(r, 50 * f->from_life,
        arena_printf(
            mem,
            "Fan %s is %s hours old; by age alone %s of such fans fail within %d days (%.0f failure%s "
            "seen%s).",
            f->fan->position, risk_number(mem, f->age_hours), percent(mem, f->from_life), r->a->horizon_days,
            v->life->failures, v->life->failures == 1 ? "" : "s", life_from(v->life->method)));
}

void risk_reasons(struct assessing *a, struct drive_risk *d, const struct fan_view *views)
{
    struct reasons r = {.a = a};

    add_open(&r, d);
    add_events(&r, d);
    add_air(&r, views, d->fan_count);
    for (size_t k = 0; k < d->fan_count; k++) {
        add_speed(&r, &views[k]);
        add_season(&r, &views[k]);
        add_fan_history(&r, &views[k]);
        add_age(&r, &views[k]);
    }
    if (r.count)
        qsort(r.list, r.count, sizeof *r.list, by_weight);
    d->reasons = arena_array(a->mem, const char *, r.count);
    d->reason_count = r.count;
    for (size_t i = 0; i < r.count; i++)
        d->reasons[i] = r.list[i].text;
}
