#include "life_report.h"

#include "numeric.h"
#include "risk_parts.h"

#include <string.h>

void life_report_group(const struct lifetime *lives, size_t n, struct arena *mem, struct life_group *g)
{
    struct life_step *steps;
    double seen = 0;
    size_t count = life_curve(lives, n, mem, &steps), at = 0;

    life_check(lives, n, &g->model, &g->check);
    g->step = (struct life_step){.age = D_NAN};
    while (at < count && 2 * (seen + steps[at].failed) < g->model.failures)
        seen += steps[at++].failed;
    if (at < count)
        g->step = steps[at];
}

void life_report_causes(const struct lifetime *lives, const int *cause, size_t n, const double *events,
                        const char *const *names, size_t causes, struct arena *mem, struct life_causes *out)
{
    struct life_incidence *steps;
    size_t count = life_incidence(lives, cause, n, mem, &steps);
    const struct life_incidence *last = count ? &steps[count - 1] : NULL;

    out->age = last ? last->age : D_NAN;
    for (size_t k = 0; k < causes; k++) {
        double million = out->hours / 1e6;
        if (!(events[k] > 0) || !last)
            continue;
        out->list[out->count++] = (struct life_cause){
            .cause = names[k],
            .events = events[k],
            .rate = events[k] / million,
            .limits = {chi_square_quantile(0.025, 2 * events[k]) / 2 / million,
                       chi_square_quantile(0.975, 2 * events[k] + 2) / 2 / million},
            .share = last->share[k],
            .se = last->se[k],
        };
    }
}

/* Lives to the first fault of any cause, as they are read from the places of a fleet. */
struct firsts {
    struct arena *mem;
    struct lifetime *lives;
    int *cause;
    size_t count, room;
    double events[CAUSE_COUNT], hours;
};

static void add_first(struct firsts *f, double entry, double exit, int cause)
{
    if (!(exit > entry))
        return;
    if (f->count == f->room) {
        size_t room = f->room ? 2 * f->room : 256;
        f->lives = arena_grow(f->mem, f->lives, f->room, room, sizeof *f->lives);
        f->cause = arena_grow(f->mem, f->cause, f->room, room, sizeof *f->cause);
        f->room = room;
    }
    f->lives[f->count] =
        (struct lifetime){.entry = entry, .exit = exit, .exit_high = D_NAN, .failed = cause >= 0, .count = 1};
    f->cause[f->count++] = cause >= 0 ? cause : 0;
}

/* All of a place: each fan to its first fault, and the faults after it for the rates. */
static void add_place(struct firsts *f, const struct fan *fan, int64_t seen_us, int64_t as_of_us)
{
    int64_t fitted_us = fan->registered_day == DAY_UNKNOWN ? TIME_UNKNOWN : day_start_us(fan->registered_day);
    double hours = fan->registered_hours, hour = (double)US_PER_HOUR;
    bool open = fitted_us != TIME_UNKNOWN;

    for (size_t i = 0; i <= fan->work_count; i++) {
        const struct work *w = i < fan->work_count ? &fan->work[i] : NULL;
        int64_t now_us = w ? w->done_us : as_of_us;
        int cause = w ? risk_cause_of(w) : -1;
        if (now_us < seen_us)
            cause = -1;
        if (cause >= 0)
            f->events[cause]++;
        if (open && (!w || cause >= 0 || w->action == WORK_REPLACED)) {
            double seen = hours + (double)(seen_us - fitted_us) / hour;
            add_first(f, fmax(hours, seen), hours + (double)(now_us - fitted_us) / hour, cause);
            open = false;
        }
        if (w && w->action == WORK_REPLACED) {
            fitted_us = now_us;
            hours = 0;
            open = true;
        }
    }
    f->hours += fmax(0, (double)(as_of_us - seen_us) / hour);
}

static void set_causes(const struct assessment *a, struct arena *mem, struct life_report *out)
{
    const struct fleet *fleet = a->fleet;
    struct firsts f = {.mem = mem};
    const char *names[CAUSE_COUNT];

    for (size_t i = 0; i < fleet->drive_count; i++) {
        const struct drive *d = &fleet->drives[i];
        int32_t day = a->life.starts[d->machine->site - fleet->sites];
        for (size_t k = 0; day != DAY_UNKNOWN && k < d->fan_count; k++)
            add_place(&f, &d->fans[k], day_start_us(day), fleet->as_of_us);
    }
    for (int c = 0; c < CAUSE_COUNT; c++)
        names[c] = cause_word((enum cause)c);
    out->causes.hours = f.hours;
    life_report_causes(f.lives, f.cause, f.count, f.events, names, CAUSE_COUNT, mem, &out->causes);
}

static struct recurrence place_of(const struct fan *fan, int32_t day, int64_t as_of_us, struct arena *mem)
{
    double *at = arena_array(mem, double, fan->work_count);
    struct recurrence r = {.end = (double)(as_of_us - day_start_us(day)) / (double)US_PER_DAY, .at = at};

    for (size_t i = 0; i < fan->work_count; i++) {
        const struct work *w = &fan->work[i];
        double days = (double)(w->done_us - day_start_us(day)) / (double)US_PER_DAY;
        if (w->action == WORK_REPLACED && risk_cause_of(w) >= 0 && days > 0 && days <= r.end)
            at[r.count++] = days;
    }
    return r;
}

static void add_worse(struct life_places *p, const struct fan *fan, const struct recurrence *r)
{
    enum { EVENTS_TO_TELL = 3 };
    struct power_law law;

    if (r->count < EVENTS_TO_TELL)
        return;
    power_law_fit(r, 1, false, &law);
    if (law.growth > 1 && law.trend_p < 0.05)
        p->worse[p->worse_count++] =
            (struct life_place){fan->drive->drive, fan->position, law.events, law.growth, law.trend_p};
}

static void set_places(const struct assessment *a, struct arena *mem, struct life_places *out)
{
    const struct fleet *fleet = a->fleet;
    size_t fans = 0, n = 0;
    struct recurrence_step *steps;

    for (size_t i = 0; i < fleet->drive_count; i++)
        fans += fleet->drives[i].fan_count;
    struct recurrence *places = arena_array(mem, struct recurrence, fans);
    out->worse = arena_array(mem, struct life_place, fans);
    for (size_t i = 0; i < fleet->drive_count; i++) {
        const struct drive *d = &fleet->drives[i];
        int32_t day = a->life.starts[d->machine->site - fleet->sites];
        for (size_t k = 0; day != DAY_UNKNOWN && k < d->fan_count; k++) {
            places[n] = place_of(&d->fans[k], day, fleet->as_of_us, mem);
            if (places[n].end > 0)
                add_worse(out, &d->fans[k], &places[n++]);
        }
    }
    size_t count = recurrence_mean(places, n, mem, &steps);
    power_law_fit(places, n, false, &out->law);
    out->places = (double)n;
    out->events = out->law.events;
    if (!count)
        return;
    out->days = steps[count - 1].at;
    out->mean = steps[count - 1].mean;
    recurrence_limits(&steps[count - 1], out->limits);
}

static void set_groups(const struct assessment *a, struct arena *mem, struct life_report *out)
{
    const struct fleet *f = a->fleet;
    struct site_life *of;
    size_t count = risk_site_lives(f, a->life.starts, mem, &of);
    struct lifetime *lives = arena_array(mem, struct lifetime, count);

    out->groups = arena_array(mem, struct life_group, f->fan_model_count + 1);
    for (size_t i = 0; i <= f->fan_model_count; i++) {
        bool all = i == f->fan_model_count;
        struct life_group *g = &out->groups[out->group_count];
        size_t n = 0;
        *g = all ? (struct life_group){.group = "all", .model = a->life.all}
                 : (struct life_group){.group = f->fan_models[i].fan_model,
                                       .model = a->life.own[i],
                                       .pooled = a->life.models[i]};
        if (!all && !g->model.n)
            continue;
        for (size_t k = 0; k < count; k++)
            if (all || of[k].model == i)
                lives[n++] = risk_paced(&of[k], a->life.pace);
        life_report_group(lives, n, mem, g);
        out->group_count++;
    }
}

void life_report_of(const struct assessment *a, struct arena *mem, struct life_report *out)
{
    const struct fleet *f = a->fleet;

    *out = (struct life_report){.as_of_us = f->as_of_us};
    set_groups(a, mem, out);
    set_causes(a, mem, out);
    set_places(a, mem, &out->places);
    out->paces = arena_array(mem, struct life_pace, f->site_count);
    for (size_t i = 0; i < f->site_count; i++)
        if (a->life.pace[i] < 1 || a->life.pace[i] > 1)
            out->paces[out->pace_count++] = (struct life_pace){f->sites[i].site, a->life.pace[i]};
}
