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
 * Whether a replacement ended a life by failure: a technician found the fan worn, or it was replaced for a
 * warning or an alarm and nothing else was found to be the cause. All others were removed unfailed.
 */
static bool ended_by_failure(const struct work *w)
{
    static const char *const faults[] = {"alarm", "warning", NULL};
    static const char *const elsewhere[] = {"dirty", "loose", "connector", "board", "none", NULL};
    if (w->finding && strcmp(w->finding, "worn") == 0)
        return true;
    return one_of(w->reason, faults) && !one_of(w->finding, elsewhere);
}

struct life_list {
    struct arena *mem;
    struct lifetime *lives;
    size_t count, room;
};

/* A life that began on a day with some hours on it; seen only from 'records' on. Moments in us. */
static void add_life(struct life_list *list, int32_t fitted, double hours, int32_t records, int64_t end_us,
                     bool failed)
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
    list->lives[list->count++] = life;
}

/* All lives in one place: each ended by a replacement, and the one that goes on. */
static void add_lives(struct life_list *list, const struct fan *fan, int32_t records, int64_t as_of_us)
{
    int32_t fitted = fan->registered_day;
    double hours = fan->registered_hours;

    for (size_t i = 0; i < fan->work_count; i++) {
        const struct work *w = &fan->work[i];
        if (w->action != WORK_REPLACED)
            continue;
        int32_t day = day_of(w->done_us);
        if (fitted != DAY_UNKNOWN && fitted < day) /* else the register speaks of a later fan than this one */
            add_life(list, fitted, hours, records, w->done_us, ended_by_failure(w));
        fitted = day;
        hours = 0;
    }
    add_life(list, fan->installed_day, fan->hours_at_install, records, as_of_us, false);
}

/* Sums of rows must not depend on the order in which fans are listed. */
static int by_life(const void *a, const void *b)
{
    const struct lifetime *x = a, *y = b;
    if (x->entry != y->entry)
        return x->entry < y->entry ? -1 : 1;
    if (x->exit != y->exit)
        return x->exit < y->exit ? -1 : 1;
    return x->failed - y->failed;
}

static size_t lifetimes(const struct fleet *fleet, const int32_t *starts, const struct fan_model *model,
                        struct arena *mem, struct lifetime **out)
{
    struct life_list list = {.mem = mem};
    for (size_t i = 0; i < fleet->drive_count; i++) {
        const struct drive *d = &fleet->drives[i];
        int32_t records = starts[d->machine->site - fleet->sites];
        for (size_t k = 0; k < d->fan_count; k++)
            if (!model || d->fans[k].model == model)
                add_lives(&list, &d->fans[k], records, fleet->as_of_us);
    }
    if (list.count)
        qsort(list.lives, list.count, sizeof *list.lives, by_life);
    *out = list.lives;
    return list.count;
}

size_t risk_lifetimes(const struct fleet *fleet, const struct fan_model *model, struct arena *mem,
                      struct lifetime **out)
{
    return lifetimes(fleet, risk_site_starts(fleet, mem), model, mem, out);
}

void risk_records(struct assessing *a)
{
    for (size_t i = 0; i < a->view_count; i++) {
        const struct fan *fan = a->views[i].fan;
        if (fan->day_count)
            earliest(&a->starts[fan->drive->machine->site - a->fleet->sites], fan->days[0].day);
    }
}

struct life_table risk_life_table(const struct fleet *fleet, const int32_t *starts, struct arena *mem)
{
    struct life_table t = {.models = arena_array(mem, struct life_model, fleet->fan_model_count)};
    struct arena *scratch = arena_new(SIZE_MAX);
    struct lifetime *lives;

    for (size_t i = 0; i <= fleet->fan_model_count; i++) {
        bool all = i == fleet->fan_model_count;
        size_t n = lifetimes(fleet, starts, all ? NULL : &fleet->fan_models[i], scratch, &lives);
        life_fit(lives, n, LIFE_ASSUMED_SHAPE, scratch, all ? &t.all : &t.models[i]);
        arena_reset(scratch);
    }
    arena_free(scratch);
    return t;
}

const struct life_model *risk_life_of_model(const struct fleet *fleet, const struct life_table *life,
                                            const struct fan_model *model)
{
    const struct life_model *own = model ? &life->models[model - fleet->fan_models] : NULL;
    return own && own->failures > 0 ? own : &life->all;
}

const struct life_model *risk_life_of(const struct assessment *a, const struct fan_model *model)
{
    return risk_life_of_model(a->fleet, &a->life, model);
}
