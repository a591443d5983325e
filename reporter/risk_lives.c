#include "numeric.h"
#include "risk_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void earliest(int32_t *day, int32_t other)
{
    if (*day == DAY_UNKNOWN || other < *day)
        *day = other;
}

int32_t *risk_site_starts(const struct fleet *fleet, struct arena *mem)
{
    int32_t *start = arena_array(mem, int32_t, fleet->site_count);
    for (size_t i = 0; i < fleet->site_count; i++)
        start[i] = DAY_UNKNOWN;
    for (size_t i = 0; i < fleet->drive_count; i++) {
        const struct drive *d = &fleet->drives[i];
        int32_t *day = &start[d->machine->site - fleet->sites];
        if (d->episode_count)
            earliest(day, day_of(d->episodes[0].began_us));
        for (size_t k = 0; k < d->fan_count; k++) {
            if (d->fans[k].day_count)
                earliest(day, d->fans[k].days[0].day);
            if (d->fans[k].work_count)
                earliest(day, day_of(d->fans[k].work[0].done_us));
        }
    }
    return start;
}

static bool one_of(const char *word, const char *const *words)
{
    for (; word && *words; words++)
        if (strcmp(word, *words) == 0)
            return true;
    return false;
}

/*
 * What a piece of work says was wrong: the finding, or else what was done about a fault. A fan that was
 * changed for an alarm without a finding counts as worn, also a blocked one; one changed in good time was
 * removed unfailed.
 */
int risk_cause_of(const struct work *w)
{
    static const char *const faults[] = {"alarm", "warning", NULL}, *const dirt[] = {"dirty", "blocked",
                                                                                     NULL};
    static const char *const connector[] = {"loose", "connector", NULL}, *const none[] = {"none", NULL};
    static const char *const worn[] = {"worn", NULL}, *const board[] = {"board", NULL};
    bool replaced = w->action == WORK_REPLACED;

    if (one_of(w->finding, worn))
        return CAUSE_WORN;
    if (!one_of(w->reason, faults) || one_of(w->finding, none))
        return -1;
    if (one_of(w->finding, dirt))
        return replaced && strcmp(w->finding, "blocked") == 0 ? CAUSE_WORN : CAUSE_DIRT;
    if (one_of(w->finding, connector) || w->action == WORK_RESEATED || w->action == WORK_CONNECTOR)
        return CAUSE_CONNECTOR;
    if (one_of(w->finding, board) || w->action == WORK_BOARD || w->action == WORK_DRIVE)
        return CAUSE_BOARD;
    if (replaced)
        return CAUSE_WORN;
    return w->action == WORK_CLEANED ? CAUSE_DIRT : -1;
}

/* Whether a replacement ended a life by wear; all others were removed unfailed. */
static bool ended_by_failure(const struct work *w)
{
    return risk_cause_of(w) == CAUSE_WORN;
}

struct life_list {
    struct arena *mem;
    struct site_life *lives;
    size_t count, room;
};

/* A life that began on a day with some hours on it; seen only from 'records' on. Moments in us. */
static void add_life(struct life_list *list, const struct site_life *of, int32_t fitted, double hours,
                     int32_t records, int64_t end_us, bool failed)
{
    if (fitted == DAY_UNKNOWN || records == DAY_UNKNOWN)
        return;
    int32_t seen = records > fitted ? records : fitted;
    struct lifetime life = {
        .entry = hours + 24.0 * (seen - fitted),
        .exit = hours + (double)(end_us - day_start_us(fitted)) / (double)US_PER_HOUR,
        .exit_high = D_NAN,
        .failed = failed,
        .count = 1,
    };
    if (!(life.exit > life.entry))
        return;
    if (list->count == list->room) {
        list->room = list->room ? 2 * list->room : 256;
        list->lives = arena_grow(list->mem, list->lives, list->count, list->room, sizeof *list->lives);
    }
    list->lives[list->count++] = (struct site_life){life, of->model, of->site};
}

/* All lives in one place: each ended by a replacement, and the one that goes on. */
static void add_lives(struct life_list *list, const struct site_life *of, const struct fan *fan,
                      int32_t records, int64_t as_of_us)
{
    int32_t fitted = fan->registered_day;
    double hours = fan->registered_hours;

    for (size_t i = 0; i < fan->work_count; i++) {
        const struct work *w = &fan->work[i];
        if (w->action != WORK_REPLACED)
            continue;
        int32_t day = day_of(w->done_us);
        if (fitted != DAY_UNKNOWN && fitted < day) /* else the register speaks of a later fan than this one */
            add_life(list, of, fitted, hours, records, w->done_us, ended_by_failure(w));
        fitted = day;
        hours = 0;
    }
    add_life(list, of, fan->installed_day, fan->hours_at_install, records, as_of_us, false);
}

static int by_number(size_t x, size_t y)
{
    return (x > y) - (x < y);
}

/* Sums of rows must not depend on the order in which fans are listed. */
static int by_life(const void *a, const void *b)
{
    const struct site_life *l = a, *m = b;
    const struct lifetime *x = &l->life, *y = &m->life;
    if (x->entry != y->entry)
        return x->entry < y->entry ? -1 : 1;
    if (x->exit != y->exit)
        return x->exit < y->exit ? -1 : 1;
    if (x->failed != y->failed)
        return x->failed - y->failed;
    return l->model != m->model ? by_number(l->model, m->model) : by_number(l->site, m->site);
}

size_t risk_site_lives(const struct fleet *fleet, const int32_t *starts, struct arena *mem,
                       struct site_life **out)
{
    struct life_list list = {.mem = mem};
    for (size_t i = 0; i < fleet->drive_count; i++) {
        const struct drive *d = &fleet->drives[i];
        struct site_life of = {.site = (size_t)(d->machine->site - fleet->sites)};
        for (size_t k = 0; k < d->fan_count; k++) {
            const struct fan_model *model = d->fans[k].model;
            of.model = model ? (size_t)(model - fleet->fan_models) : fleet->fan_model_count;
            add_lives(&list, &of, &d->fans[k], starts[of.site], fleet->as_of_us);
        }
    }
    if (list.count)
        qsort(list.lives, list.count, sizeof *list.lives, by_life);
    *out = list.lives;
    return list.count;
}

size_t risk_lifetimes(const struct fleet *fleet, const struct fan_model *model, struct arena *mem,
                      struct lifetime **out)
{
    struct site_life *lives;
    size_t n = risk_site_lives(fleet, risk_site_starts(fleet, mem), mem, &lives), kept = 0;
    *out = arena_array(mem, struct lifetime, n);
    for (size_t i = 0; i < n; i++)
        if (!model || lives[i].model == (size_t)(model - fleet->fan_models))
            (*out)[kept++] = lives[i].life;
    return kept;
}

void risk_records(struct assessing *a)
{
    for (size_t i = 0; i < a->view_count; i++) {
        const struct fan *fan = a->views[i].fan;
        if (fan->day_count)
            earliest(&a->starts[fan->drive->machine->site - a->fleet->sites], fan->days[0].day);
    }
}
