/*
 * A fleet made in memory: one site, machines with some drives of one fan each, a year of days with a small
 * season and scatter. Tests then change what they are about.
 */
#ifndef TESTS_RISK_WORLD_H
#define TESTS_RISK_WORLD_H

#include "risk.h"

#include <check.h>
#include <math.h>
#include <string.h>

enum { TODAY = 20500, DAYS = 365, BASE_RPM = 2300, WARNING_RPM = 1840 };

struct world {
    struct arena *mem;
    struct site site;
    struct part part;
    struct fan_model fan_model;
    struct drive_model drive_model;
    struct machine *machines;
    struct fleet fleet;
};

/* Scatter within +-5 rev/min that is the same in every run. */
static inline double scatter(size_t fan, int day)
{
    unsigned h = (unsigned)fan * 2654435761u ^ (unsigned)day * 2246822519u;
    h = (h ^ (h >> 15)) * 2246822519u;
    return (double)((h >> 8) % 1001) / 100 - 5;
}

static inline double season(int day)
{
    return 1 - 0.02 * sin(2 * M_PI * day / 365);
}

static inline struct fan_day a_day(int day, double rpm)
{
    return (struct fan_day){.day = day, .covered_s = 86400, .median = rpm};
}

static inline void fill_fan(struct world *w, struct fan *f, struct drive *d, size_t number)
{
    *f = (struct fan){.drive = d,
                      .position = "internal-1",
                      .fan_no = (int)number + 1,
                      .model = &w->fan_model,
                      .installed_day = TODAY - 700,
                      .registered_day = TODAY - 700,
                      .bound = true,
                      .days = arena_array(w->mem, struct fan_day, DAYS),
                      .day_count = DAYS};
    for (int k = 0; k < DAYS; k++) {
        int day = TODAY - DAYS + k;
        f->days[k] = a_day(day, BASE_RPM * season(day) + scatter(number, day));
    }
}

static inline struct world *world_new(size_t machines, size_t drives)
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct world *w = arena_alloc(mem, sizeof *w);

    w->mem = mem;
    w->site = (struct site){.site = "hillside", .name = "Hillside", .time_zone = "UTC", .paper = "A4"};
    w->part = (struct part){.part = "F-60", .price_minor = -1, .order_multiple = 1, .minimum_order = 1};
    w->fan_model = (struct fan_model){.fan_model = "breeze-60", .part = &w->part, .rated_rpm = BASE_RPM};
    w->fan_model.warning_rpm = WARNING_RPM;
    w->fan_model.l10_hours = w->fan_model.l10_temperature_c = (double)NAN;
    w->drive_model =
        (struct drive_model){.drive_model = "d1", .reports_speed = ANSWER_YES, .internal_fans = 1};
    w->machines = arena_array(mem, struct machine, machines);
    w->fleet = (struct fleet){.as_of_us = day_start_us(TODAY) + 3 * US_PER_HOUR,
                              .sites = &w->site,
                              .site_count = 1,
                              .machines = w->machines,
                              .machine_count = machines,
                              .drives = arena_array(mem, struct drive, machines * drives),
                              .drive_count = machines * drives,
                              .parts = &w->part,
                              .part_count = 1,
                              .fan_models = &w->fan_model,
                              .fan_model_count = 1,
                              .drive_models = &w->drive_model,
                              .drive_model_count = 1};
    for (size_t m = 0; m < machines; m++) {
        w->machines[m] = (struct machine){.site = &w->site,
                                          .machine = arena_printf(mem, "m%02zu", m),
                                          .currency = "EUR",
                                          .stop_cost_per_hour = 100,
                                          .stop_hours = 4};
        for (size_t k = 0; k < drives; k++) {
            size_t number = m * drives + k;
            struct drive *d = &w->fleet.drives[number];
            *d = (struct drive){.machine = &w->machines[m],
                                .model = &w->drive_model,
                                .drive = arena_printf(mem, "m%02zu-d%zu", m, k),
                                .fans = arena_array(mem, struct fan, 1),
                                .fan_count = 1};
            fill_fan(w, &d->fans[0], d, number);
        }
    }
    return w;
}

static inline void world_free(struct world *w)
{
    arena_free(w->mem);
}

static inline struct fan *fan_of(struct world *w, size_t drive)
{
    return &w->fleet.drives[drive].fans[0];
}

static inline struct drive *with_second_fan(struct world *w, size_t drive)
{
    struct drive *d = &w->fleet.drives[drive];
    d->fans = arena_grow(w->mem, d->fans, 1, 2, sizeof *d->fans);
    d->fan_count = 2;
    fill_fan(w, &d->fans[1], d, 40);
    d->fans[1].position = "internal-2";
    return d;
}

/* Falls by some rev/min a day during the last days. */
static inline void fall(struct fan *f, int days, double per_day)
{
    for (size_t k = 0; k < f->day_count; k++) {
        int since = f->days[k].day - (TODAY - days);
        if (since > 0)
            f->days[k].median -= since * per_day;
    }
}

static inline void scale(struct fan *f, double factor, int32_t from_day)
{
    for (size_t k = 0; k < f->day_count; k++)
        if (f->days[k].day >= from_day)
            f->days[k].median *= factor;
}

static inline void add_work(struct world *w, struct fan *f, int32_t day, enum work_action action)
{
    f->work = arena_grow(w->mem, f->work, f->work_count, f->work_count + 1, sizeof *f->work);
    f->work[f->work_count++] = (struct work){.done_us = day_start_us(day) + 10 * US_PER_HOUR,
                                             .action = action,
                                             .reason = "warning",
                                             .finding = action == WORK_REPLACED ? "worn" : "dirty",
                                             .rpm_before = (double)NAN,
                                             .rpm_after = (double)NAN};
    if (action == WORK_REPLACED)
        f->installed_day = day;
}

static inline void add_episode(struct world *w, size_t drive, int32_t day, enum episode_outcome outcome)
{
    struct drive *d = &w->fleet.drives[drive];
    int64_t at = day_start_us(day) + 9 * US_PER_HOUR;
    d->episodes =
        arena_grow(w->mem, d->episodes, d->episode_count, d->episode_count + 1, sizeof *d->episodes);
    d->episodes[d->episode_count++] =
        (struct episode){.fault = FAULT_FAN,
                         .began_us = at,
                         .alarm_us = outcome == EPISODE_ENDED_IN_ALARM ? at + 60 * US_PER_S : TIME_UNKNOWN,
                         .ended_us = outcome == EPISODE_OPEN ? TIME_UNKNOWN : at + 30 * US_PER_S,
                         .outcome = outcome,
                         .end_seen = true,
                         .reports = 1};
}

static inline struct assessment assess(struct world *w, int horizon)
{
    struct assessment a;
    risk_assess(&w->fleet, horizon, w->mem, &a);
    return a;
}

static inline const struct drive_risk *find_risk(const struct assessment *a, const char *drive)
{
    for (size_t i = 0; i < a->ranked_count; i++)
        if (strcmp(a->ranked[i].drive->drive, drive) == 0)
            return &a->ranked[i];
    for (size_t i = 0; i < a->unknown_count; i++)
        if (strcmp(a->unknown[i].drive->drive, drive) == 0)
            return &a->unknown[i];
    ck_abort_msg("drive '%s' is neither ranked nor unknown", drive);
    return NULL;
}

static inline bool says(const struct drive_risk *d, const char *words)
{
    for (size_t i = 0; i < d->reason_count; i++)
        if (strstr(d->reasons[i], words))
            return true;
    return false;
}

static inline enum cause main_cause(const struct drive_risk *d)
{
    enum cause best = CAUSE_WORN;
    for (int c = 0; c < CAUSE_COUNT; c++)
        if (d->cause_weight[c] > d->cause_weight[best])
            best = (enum cause)c;
    return best;
}

#endif
