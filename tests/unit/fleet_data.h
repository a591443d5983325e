/*
 * A small fleet in memory, already assessed, for the tests of demand and stock: two sites, two parts, of
 * which one supersedes a third.
 */
#ifndef TESTS_FLEET_DATA_H
#define TESTS_FLEET_DATA_H

#include "risk.h"

#include <math.h>

enum { TODAY = 20000, MOST_DRIVES = 40 };

struct small_fleet {
    struct site sites[2];
    struct machine machines[2];
    struct part parts[3]; /* K-10, K-20, and K-05 that K-10 supersedes */
    struct fan_model models[3];
    struct life_model lives[3];
    struct stock stock[8];
    struct drive drives[MOST_DRIVES];
    struct fan fans[MOST_DRIVES];
    struct drive_risk risks[MOST_DRIVES];
    struct fan_risk fan_risks[MOST_DRIVES];
    char names[MOST_DRIVES][16];
    struct fleet fleet;
    struct assessment a;
};

static inline void small_fleet_init(struct small_fleet *f)
{
    static const char *const sites[] = {"alder", "birch"}, *const parts[] = {"K-10", "K-20", "K-05"},
                             *const models[] = {"fm-10", "fm-20", "fm-05"};
    *f = (struct small_fleet){0};
    for (int i = 0; i < 2; i++) {
        f->sites[i] = (struct site){.site = sites[i], .name = sites[i]};
        f->machines[i] = (struct machine){.site = &f->sites[i], .machine = sites[i], .name = sites[i]};
    }
    for (int i = 0; i < 3; i++) {
        f->parts[i] = (struct part){.part = parts[i],
                                    .currency = "EUR",
                                    .price_minor = 4550,
                                    .lead_time_days = 28,
                                    .lead_time_sd_days = (double)NAN,
                                    .order_multiple = 1,
                                    .minimum_order = 1,
                                    .last_order_day = DAY_UNKNOWN};
        f->models[i] = (struct fan_model){.fan_model = models[i], .part = &f->parts[i]};
        f->lives[i] = (struct life_model){
            .method = LIFE_MAXIMUM_LIKELIHOOD, .n = 100, .failures = 20, .shape = 2, .scale = 30000};
    }
    f->parts[2].successor = &f->parts[0];
    f->fleet = (struct fleet){.as_of_us = TODAY * US_PER_DAY + US_PER_HOUR,
                              .sites = f->sites,
                              .site_count = 2,
                              .machines = f->machines,
                              .machine_count = 2,
                              .drives = f->drives,
                              .parts = f->parts,
                              .part_count = 3,
                              .fan_models = f->models,
                              .fan_model_count = 3,
                              .stock = f->stock};
    f->a = (struct assessment){.fleet = &f->fleet,
                               .horizon_days = 30,
                               .life = {.models = f->lives, .all = f->lives[0]},
                               .ranked = f->risks};
}

/* A drive with one fan; the drives stay in the order of their risk, as they are added. */
static inline struct fan_risk *small_fleet_add(struct small_fleet *f, int site, int model, double probability,
                                               double age_hours)
{
    size_t n = f->a.ranked_count++;
    if (n == MOST_DRIVES)
        BUG("no room for drive %zu", n);
    snprintf(f->names[n], sizeof f->names[n], "drive-%02zu", n);
    f->fans[n] = (struct fan){.drive = &f->drives[n], .position = "internal-1", .model = &f->models[model]};
    f->drives[n] = (struct drive){
        .machine = &f->machines[site], .drive = f->names[n], .fans = &f->fans[n], .fan_count = 1};
    f->fan_risks[n] =
        (struct fan_risk){.fan = &f->fans[n], .probability = probability, .age_hours = age_hours};
    f->risks[n] = (struct drive_risk){.drive = &f->drives[n],
                                      .probability = probability,
                                      .action = probability > 0.3 ? ACTION_PLAN : ACTION_WATCH,
                                      .fans = &f->fan_risks[n],
                                      .fan_count = 1};
    f->fleet.drive_count = f->a.ranked_count;
    return &f->fan_risks[n];
}

static inline struct stock *small_fleet_stock(struct small_fleet *f, int site, int part, int on_hand,
                                              int on_order, int32_t due_day)
{
    struct stock *s = &f->stock[f->fleet.stock_count++];
    *s = (struct stock){&f->sites[site], &f->parts[part], on_hand, on_order, due_day, TODAY};
    return s;
}

#endif
