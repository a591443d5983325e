#include "risk.h"
#include "numeric.h"
#include "risk_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int by_position(const void *a, const void *b)
{
    const struct fan_risk *x = a, *y = b;
    return strcmp(x->fan->position, y->fan->position);
}

static int by_drive(const void *a, const void *b)
{
    const struct drive_risk *x = a, *y = b;
    return strcmp(x->drive->drive, y->drive->drive);
}

static int by_site_and_machine(const void *a, const void *b)
{
    const struct fan_view *x = a, *y = b;
    const struct site *s = x->fan->drive->machine->site, *t = y->fan->drive->machine->site;
    if (s != t)
        return s < t ? -1 : 1;
    int order = strcmp(x->fan->drive->machine->machine, y->fan->drive->machine->machine);
    if (!order)
        order = strcmp(x->fan->drive->drive, y->fan->drive->drive);
    return order ? order : strcmp(x->fan->position, y->fan->position);
}

static void set_age(const struct assessing *a, struct fan_risk *r)
{
    r->age_hours = D_NAN;
    if (r->fan->installed_day == DAY_UNKNOWN)
        return;
    int64_t run_us = a->fleet->as_of_us - day_start_us(r->fan->installed_day);
    r->age_hours = r->fan->hours_at_install + (double)(run_us > 0 ? run_us : 0) / (double)US_PER_HOUR;
}

/* An entry for every drive, fan and view, all in order of keys, whatever the order they are listed in. */
static void begin(struct assessing *a)
{
    const struct fleet *f = a->fleet;
    size_t fans = 0;

    a->drive_count = f->drive_count;
    a->drives = arena_array(a->mem, struct drive_risk, f->drive_count);
    for (size_t i = 0; i < f->drive_count; i++) {
        const struct drive *d = &f->drives[i];
        struct drive_risk *r = &a->drives[i];
        *r = (struct drive_risk){.drive = d, .fan_count = d->fan_count};
        r->fans = arena_array(a->mem, struct fan_risk, d->fan_count);
        for (size_t k = 0; k < d->fan_count; k++) {
            r->fans[k].fan = &d->fans[k];
            set_age(a, &r->fans[k]);
        }
        if (d->fan_count)
            qsort(r->fans, d->fan_count, sizeof *r->fans, by_position);
        fans += d->fan_count;
    }
    if (f->drive_count)
        qsort(a->drives, f->drive_count, sizeof *a->drives, by_drive);

    a->views = arena_array(a->mem, struct fan_view, fans);
    for (size_t i = 0; i < a->drive_count; i++)
        for (size_t k = 0; k < a->drives[i].fan_count; k++)
            a->views[a->view_count++] = (struct fan_view){
                .fan = a->drives[i].fans[k].fan, .risk = &a->drives[i].fans[k], .drive = &a->drives[i]};
    if (fans)
        qsort(a->views, fans, sizeof *a->views, by_site_and_machine);
}

/* Whether anything of its own speaks for or against the fan; the fleet's usual rate alone does not. */
static const char *why_unknown(const struct assessing *a, const struct fan_view *v)
{
    bool speed = v->path.known || v->risk->stopped;
    bool events = v->suspect || v->drive->recent_episodes > 0 || v->risk->dropout_days > 1;
    bool life = !isnan(life_conditional(v->life, v->risk->age_hours, 24));

    if (speed || events)
        return NULL;
    const char *why = v->risk->missing ? v->risk->missing : "neither a warning speed nor a level is known";
    if (v->silent)
        return why;
    if (life)
        return NULL;
    return arena_printf(a->mem, "%s, and %s", why,
                        isnan(v->risk->age_hours) ? "its age is not known"
                                                  : "there is no life model for its age yet");
}

/* What one witness says by itself. */
static double alone(double hazard)
{
    return -expm1(-hazard);
}

static void set_fan(const struct assessing *a, const struct outlook *o, size_t n, size_t k)
{
    struct fan_risk *r = o[k].view->risk;
    const double *hazard = o[k].at.middle;
    struct chance all = risk_fan_chance(a, o, n, k, a->horizon_days);

    r->from_trend = alone(hazard[WITNESS_SPEED]);
    r->from_life = alone(hazard[WITNESS_LIFE]);
    r->from_events = alone(hazard[WITNESS_RATE] + hazard[WITNESS_DROPOUTS]);
    r->probability = r->unknown ? D_NAN : all.p;
    r->interval[0] = r->unknown ? D_NAN : all.limits[0];
    r->interval[1] = r->unknown ? D_NAN : all.limits[1];
}

static enum action action_of(const struct assessing *a, const struct drive_risk *d, const struct outlook *o)
{
    size_t n = d->fan_count;
    bool slow = false;

    if (d->open)
        return ACTION_NOW;
    for (size_t k = 0; k < n; k++) {
        const struct fan_view *v = o[k].view;
        if (v->risk->stopped || (v->path.known && v->path.distance <= 0))
            return ACTION_NOW;
        slow |= v->risk->relative / v->season_now < 0.9;
    }
    double week = risk_drive_chance(a, o, n, 7).p, month = risk_drive_chance(a, o, n, 30).p;
    if (week >= 0.5)
        return ACTION_NOW;
    if (week >= 0.15 || month >= 0.5)
        return ACTION_THIS_WEEK;
    return slow || month >= 0.15 || risk_drive_chance(a, o, n, 90).p >= 0.3 ? ACTION_PLAN : ACTION_WATCH;
}

static const char *unknown_of(const struct assessing *a, const struct drive_risk *d)
{
    const char *why = NULL;
    for (size_t k = 0; k < d->fan_count; k++) {
        const struct fan_risk *r = &d->fans[k];
        if (!r->unknown)
            return NULL;
        why =
            arena_printf(a->mem, "%s%s%s: %s", why ? why : "", why ? "; " : "", r->fan->position, r->unknown);
    }
    return why ? why : "no fan of it is in the register";
}

/* Until the next drive. */
static struct outlook *outlooks(struct assessing *a, const struct fan_view *views, size_t n, double days)
{
    arena_reset(a->scratch);
    struct outlook *o = arena_array(a->scratch, struct outlook, n);
    for (size_t k = 0; k < n; k++) {
        views[k].risk->unknown = why_unknown(a, &views[k]);
        risk_outlook(&views[k], days, &o[k]);
    }
    return o;
}

static void set_drive(struct assessing *a, struct drive_risk *d, struct fan_view *views)
{
    const struct machine *m = d->drive->machine;
    const struct outlook *o = outlooks(a, views, d->fan_count, a->horizon_days);

    for (size_t k = 0; k < d->fan_count; k++) {
        set_fan(a, o, d->fan_count, k);
        risk_causes(a, &views[k]);
    }
    d->unknown = unknown_of(a, d);
    if (d->unknown) {
        d->probability = d->interval[0] = d->interval[1] = d->expected_cost = D_NAN;
        d->action = ACTION_WATCH;
        return;
    }
    struct chance all = risk_drive_chance(a, o, d->fan_count, a->horizon_days);
    double sum = 0;
    d->probability = all.p;
    d->interval[0] = all.limits[0];
    d->interval[1] = all.limits[1];
    d->expected_cost = d->probability * m->stop_hours * m->stop_cost_per_hour;
    d->action = action_of(a, d, o);
    for (size_t k = 0; k < d->fan_count; k++)
        for (int c = 0; c < CAUSE_COUNT && !d->fans[k].unknown; c++) {
            d->cause_weight[c] += d->fans[k].probability * d->fans[k].cause_weight[c];
            sum += d->fans[k].probability * d->fans[k].cause_weight[c];
        }
    for (int c = 0; c < CAUSE_COUNT && sum > 0; c++)
        d->cause_weight[c] /= sum;
    risk_reasons(a, d, views);
}

/* Dearest first; without a stop cost by probability, after those with one; equal ones by key. */
static int by_cost(const void *a, const void *b)
{
    const struct drive_risk *x = a, *y = b;
    if (isnan(x->expected_cost) != isnan(y->expected_cost))
        return isnan(x->expected_cost) ? 1 : -1;
    if (!isnan(x->expected_cost) && x->expected_cost != y->expected_cost)
        return x->expected_cost > y->expected_cost ? -1 : 1;
    if (x->probability != y->probability)
        return x->probability > y->probability ? -1 : 1;
    return by_drive(a, b);
}

/* 0: it was not asked for, 1: it is unknown, 2: it is ranked. */
static int place_of(const struct assessing *a, const struct drive_risk *d)
{
    const char *only = a->fleet->only_site;
    if (only && strcmp(d->drive->machine->site->site, only) != 0)
        return 0;
    return d->unknown ? 1 : 2;
}

/* The ranked and the unknown drives of the site that was asked for, both in the list of all. */
static void split(struct assessing *a, struct assessment *out)
{
    struct drive_risk *unknown = NULL;
    size_t n = 0;

    for (size_t i = 0; i < a->drive_count; i++)
        out->unknown_count += place_of(a, &a->drives[i]) == 1;
    unknown = arena_array(a->mem, struct drive_risk, out->unknown_count);
    for (size_t i = 0; i < a->drive_count; i++) {
        int place = place_of(a, &a->drives[i]);
        if (place == 1)
            *unknown++ = a->drives[i];
        else if (place == 2)
            a->drives[n++] = a->drives[i];
    }
    out->unknown = unknown - out->unknown_count;
    out->ranked = a->drives;
    out->ranked_count = n;
    if (n)
        qsort(out->ranked, n, sizeof *out->ranked, by_cost);
}

/* What looks at days, with the views of one site at hand. */
static void judge_site(struct assessing *a)
{
    risk_records(a);
    risk_baselines(a);
    risk_seasons(a);
    risk_levels(a);
    risk_silences(a);
    risk_speeds(a);
    risk_warned_speeds(a);
    risk_dropouts(a);
}

static bool judge_sites(const struct assessing *all, struct assessing *a, risk_days_fn *days, void *context,
                        struct err *err)
{
    for (size_t i = 0, n; i < all->view_count; i += n) {
        const struct site *site = all->views[i].fan->drive->machine->site;
        n = 1;
        while (i + n < all->view_count && all->views[i + n].fan->drive->machine->site == site)
            n++;
        if (days && !days(context, site, err))
            return false;
        a->views = all->views + i;
        a->view_count = n;
        judge_site(a);
    }
    a->views = all->views;
    a->view_count = all->view_count;
    return true;
}

/* Any drive of a machine; those that are not known do not count. */
static void set_machines(struct assessing *a)
{
    const struct fleet *f = a->fleet;
    double *hazard = arena_array(a->mem, double, f->machine_count);

    for (size_t i = 0; i < a->drive_count; i++)
        if (!a->drives[i].unknown)
            hazard[a->drives[i].drive->machine - f->machines] -= log1p(-a->drives[i].probability);
    for (size_t i = 0; i < a->drive_count; i++)
        a->drives[i].machine_probability = alone(hazard[a->drives[i].drive->machine - f->machines]);
}

/* What needs all sites, and no days. */
static void judge_fleet(struct assessing *a, struct life_table *life)
{
    *life = risk_life_table(a->fleet, a->starts, a->mem);
    risk_meter_factors(a);
    risk_warning_speeds(a);
    risk_paths(a);
    risk_events(a);
    for (size_t i = 0; i < a->view_count; i++) {
        struct fan_view *v = &a->views[i];
        v->life = risk_life_of_model(a->fleet, life, v->fan->model);
        v->pace = life->pace[v->fan->drive->machine->site - a->fleet->sites];
    }
}

static void judge_all(struct assessing *a, struct assessment *out)
{
    judge_fleet(a, &out->life);
    for (size_t i = 0; i < a->view_count; i += a->views[i].drive->fan_count)
        set_drive(a, &a->drives[a->views[i].drive - a->drives], &a->views[i]);
    for (size_t i = 0; i < a->drive_count; i++)
        if (!a->drives[i].fan_count)
            set_drive(a, &a->drives[i], NULL);
    set_machines(a);
    split(a, out);
}

static struct assessing assessing_of(const struct fleet *fleet, int horizon_days, struct arena *mem)
{
    struct assessing a = {.fleet = fleet,
                          .today = day_of(fleet->as_of_us),
                          .mem = mem,
                          .scratch = arena_new(SIZE_MAX),
                          .horizon_days = horizon_days,
                          .starts = risk_site_starts(fleet, mem)};
    begin(&a);
    return a;
}

bool risk_assess_by_site(const struct fleet *fleet, int horizon_days, risk_days_fn *days, void *context,
                         struct arena *mem, struct assessment *out, struct err *err)
{
    struct assessing a = assessing_of(fleet, horizon_days, mem);

    *out = (struct assessment){.fleet = fleet, .horizon_days = horizon_days};
    const struct assessing all = a;
    bool ok = judge_sites(&all, &a, days, context, err);
    if (ok)
        judge_all(&a, out);
    arena_free(a.scratch);
    return ok;
}

void risk_assess(const struct fleet *fleet, int horizon_days, struct arena *mem, struct assessment *out)
{
    struct err err = {0};
    (void)!risk_assess_by_site(fleet, horizon_days, NULL, NULL, mem, out, &err);
}

/* False for a drive of which nothing can be said. */
static bool set_row(struct assessing *a, const struct fan_view *views, size_t n, struct arena *mem,
                    struct forecast_row *row)
{
    const struct drive *drive = views->fan->drive;
    const struct outlook *o = outlooks(a, views, n, forecast_ends[FORECAST_SPANS - 1]);
    struct fan_witnesses *fans = arena_array(mem, struct fan_witnesses, n);

    *row = (struct forecast_row){
        .drive = (int)(drive - a->fleet->drives), .signs = risk_signs(a, views, n), .fans = fans};
    for (size_t k = 0; k < n; k++)
        if (!views[k].risk->unknown)
            risk_witnesses(&o[k], &fans[row->fan_count++]);
    return row->fan_count > 0;
}

size_t risk_rows(const struct fleet *fleet, struct arena *mem, struct forecast_row **rows)
{
    struct err err = {0};
    struct arena *working = arena_new(SIZE_MAX);
    struct assessing a = assessing_of(fleet, 1, working);
    const struct assessing all = a;
    struct life_table life;
    size_t count = 0;

    (void)!judge_sites(&all, &a, NULL, NULL, &err);
    judge_fleet(&a, &life);
    *rows = arena_array(mem, struct forecast_row, fleet->drive_count);
    for (size_t i = 0, n; i < a.view_count; i += n) {
        n = a.views[i].drive->fan_count;
        count += set_row(&a, &a.views[i], n, mem, &(*rows)[count]);
    }
    arena_free(a.scratch);
    arena_free(working);
    return count;
}
