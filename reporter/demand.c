#include "demand.h"

#include "numeric.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { HOURS_A_DAY = 24, LONGEST_CHAIN = 100 };

const struct part *demand_part(const struct part *part)
{
    /* A ring of successors is a mistake of the register; the chain ends somewhere all the same. */
    for (int i = 0; part->successor && i < LONGEST_CHAIN; i++)
        part = part->successor;
    return part;
}

static int by_part_and_site(const void *a, const void *b)
{
    const struct demand_place *x = a, *y = b;
    int order = strcmp(x->part->part, y->part->part);
    if (!order)
        order = strcmp(x->site->site, y->site->site);
    if (!order)
        order = strcmp(x->drive->drive->drive, y->drive->drive->drive);
    return order ? order : strcmp(x->risk->fan->position, y->risk->fan->position);
}

static size_t add_places(const struct assessment *a, const struct drive_risk *drives, size_t count,
                         struct demand_place *places)
{
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        for (size_t j = 0; j < drives[i].fan_count; j++) {
            const struct fan_risk *risk = &drives[i].fans[j];
            const struct fan_model *model = risk->fan->model;
            if (!model || !model->part)
                continue;
            const struct life_model *life = risk_life_of(a, model);
            places[n++] = (struct demand_place){.part = demand_part(model->part),
                                                .fitted = model->part,
                                                .site = drives[i].drive->machine->site,
                                                .risk = risk,
                                                .drive = &drives[i],
                                                .life = life->method == LIFE_NO_DATA ? NULL : life};
        }
    return n;
}

static size_t fans_of(const struct drive_risk *drives, size_t count)
{
    size_t fans = 0;
    for (size_t i = 0; i < count; i++)
        fans += drives[i].fan_count;
    return fans;
}

size_t demand_places(const struct assessment *a, struct arena *mem, struct demand_place **places)
{
    size_t most = fans_of(a->ranked, a->ranked_count) + fans_of(a->unknown, a->unknown_count);

    *places = arena_array(mem, struct demand_place, most);
    size_t n = add_places(a, a->ranked, a->ranked_count, *places);
    n += add_places(a, a->unknown, a->unknown_count, *places + n);
    qsort(*places, n, sizeof **places, by_part_and_site);
    return n;
}

struct demand_renewals {
    struct arena *mem;
    double horizon_days;
    size_t count, room;
    struct prepared {
        const struct life_model *life;
        double days;
        struct renewal *renewal;
    } * list;
};

struct demand_renewals *demand_renewals_new(const struct assessment *a, struct arena *mem)
{
    struct demand_renewals *r = arena_alloc(mem, sizeof *r);
    *r = (struct demand_renewals){.mem = mem, .horizon_days = a->horizon_days};
    return r;
}

static const struct renewal *renewal_for(struct demand_renewals *r, const struct life_model *life,
                                         double days)
{
    for (size_t i = 0; i < r->count; i++)
        if (r->list[i].life == life && r->list[i].days == days)
            return r->list[i].renewal;
    if (r->count == r->room) {
        size_t room = r->room ? 2 * r->room : 16;
        r->list = arena_grow(r->mem, r->list, r->room, room, sizeof *r->list);
        r->room = room;
    }
    struct renewal *made = renewal_prepare(life->shape, life->scale, HOURS_A_DAY * days, r->mem);
    r->list[r->count++] = (struct prepared){life, days, made};
    return made;
}

/* The probability of a first fault, judged for the assessment's horizon, over another span: its hazard grows
 * with the span as the life model's does, or evenly where there is none. */
static double over_span(struct demand_renewals *r, const struct demand_place *place, double days)
{
    double p = place->risk->probability, share = days / r->horizon_days;

    if (days == r->horizon_days || isnan(p) || p >= 1)
        return p;
    if (place->life) {
        double age = place->risk->age_hours;
        double asked = -log1p(-renewal_first(renewal_for(r, place->life, days), age));
        double judged = -log1p(-renewal_first(renewal_for(r, place->life, r->horizon_days), age));
        if (judged > 0 && isfinite(judged))
            share = asked / judged;
    }
    return -expm1(log1p(-p) * share);
}

static bool place_demand(struct demand_renewals *r, const struct demand_place *place, double days,
                         struct arena *mem, struct distribution *out)
{
    double first = over_span(r, place, days);

    if (place->life)
        *out = renewal_distribution(renewal_for(r, place->life, days), place->risk->age_hours, first, mem);
    else if (!isnan(first))
        *out = distribution_of_events(&first, 1, mem);
    else
        return false;
    return true;
}

struct distribution demand_within(struct demand_renewals *r, const struct demand_place *places, size_t n,
                                  double days, struct arena *mem, int *unjudged)
{
    struct distribution *list = arena_array(mem, struct distribution, n);
    size_t judged = 0;

    *unjudged = 0;
    for (size_t i = 0; i < n; i++) {
        if (place_demand(r, &places[i], days, mem, &list[judged]))
            judged++;
        else
            ++*unjudged;
    }
    return distribution_sum_all(list, judged, mem);
}

/* The length of the run of places with the same part (and site) as the first. */
static size_t run_of(const struct demand_place *places, size_t n, bool same_site)
{
    size_t length = 1;
    while (length < n && places[length].part == places->part &&
           (!same_site || places[length].site == places->site))
        length++;
    return length;
}

static struct demand site_demand(struct demand_renewals *r, const struct demand_place *places, size_t n,
                                 int days, struct arena *mem)
{
    struct demand d = {.part = places->part, .site = places->site, .fans = (int)n};
    for (size_t i = 0; i < n; i++)
        d.superseded += places[i].fitted != places[i].part;
    d.count = demand_within(r, places, n, days, mem, &d.unjudged);
    return d;
}

/* The sites' demands for one part together. */
static struct demand fleet_demand(const struct demand *sites, size_t n, struct arena *mem)
{
    struct demand all = {.part = sites->part};
    struct distribution *list = arena_array(mem, struct distribution, n);
    for (size_t i = 0; i < n; i++) {
        all.fans += sites[i].fans;
        all.superseded += sites[i].superseded;
        all.unjudged += sites[i].unjudged;
        list[i] = sites[i].count;
    }
    all.count = distribution_sum_all(list, n, mem);
    return all;
}

size_t demand_of(const struct assessment *a, int horizon_days, struct arena *mem, struct demand **items)
{
    struct demand_renewals *r = demand_renewals_new(a, mem);
    struct demand_place *places;
    size_t n = demand_places(a, mem, &places), count = 0;

    *items = arena_array(mem, struct demand, 2 * n);
    for (size_t i = 0, run; i < n; i += run) {
        run = run_of(places + i, n - i, true);
        (*items)[count++] = site_demand(r, places + i, run, horizon_days, mem);
    }
    size_t sites = count;
    for (size_t i = 0, run; i < sites; i += run) {
        for (run = 1; i + run < sites && (*items)[i + run].part == (*items)[i].part;)
            run++;
        (*items)[count++] = fleet_demand(*items + i, run, mem);
    }
    return count;
}
