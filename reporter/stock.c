#include "stock.h"

#include "numeric.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct service stock_service(const struct distribution *demand, int s)
{
    struct service out = {.ready_rate = distribution_at_most(demand, s - 1),
                          .cycle = distribution_at_most(demand, s)};
    for (size_t x = (size_t)(s > 0 ? s : 0); x < demand->size; x++)
        out.backorders += ((double)x - s) * demand->p[x];
    out.on_hand = s - distribution_mean(demand) + out.backorders;
    return out;
}

int stock_base(const struct distribution *demand, double target)
{
    return target > 0 ? distribution_quantile(demand, target) + 1 : 0;
}

struct plan {
    const struct assessment *a;
    struct demand_renewals *renewals;
    struct arena *mem;
    double service;
    int32_t today;
    struct stock *stock; /* in order of site, as addresses */
    bool *lined;         /* beside it: stands in a line already */
    size_t stock_count;
};

/* What is known of one part at one site while its line is worked out. */
struct need {
    const struct part *part;
    const struct site *site;
    const struct demand_place *places;
    size_t fans;
    int on_hand, on_order, undated; /* undated: of those on order, without a day */
    int old_fans, old_on_hand;      /* fitted with superseded parts; of these parts on the shelf */
    const struct part *old;         /* one of them */
    int unjudged;
    double lead_days;
    const struct stock *stock; /* the site's */
    size_t stock_count;
};

static double lead_of(const struct part *part)
{
    return isnan(part->lead_time_days) ? STOCK_DEFAULT_LEAD_DAYS : part->lead_time_days;
}

static int by_site(const void *a, const void *b)
{
    const struct site *x = ((const struct stock *)a)->site, *y = ((const struct stock *)b)->site;
    return (x > y) - (x < y);
}

static void sort_stock(struct plan *p)
{
    const struct fleet *fleet = p->a->fleet;
    p->stock_count = fleet->stock_count;
    p->stock = arena_array(p->mem, struct stock, p->stock_count);
    p->lined = arena_array(p->mem, bool, p->stock_count);
    if (p->stock_count)
        memcpy(p->stock, fleet->stock, p->stock_count * sizeof *p->stock);
    qsort(p->stock, p->stock_count, sizeof *p->stock, by_site);
}

static void find_stock(const struct plan *p, struct need *n)
{
    size_t low = 0, high = p->stock_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (p->stock[middle].site < n->site)
            low = middle + 1;
        else
            high = middle;
    }
    n->stock = p->stock + low;
    while (low + n->stock_count < p->stock_count && n->stock[n->stock_count].site == n->site)
        n->stock_count++;
}

static void take_stock(const struct plan *p, struct need *n)
{
    find_stock(p, n);
    for (size_t i = 0; i < n->stock_count; i++) {
        const struct stock *s = &n->stock[i];
        if (s->part == n->part) {
            n->on_hand += s->on_hand;
            n->on_order += s->on_order;
            n->undated += s->due_day == DAY_UNKNOWN ? s->on_order : 0;
            p->lined[s - p->stock] = true;
        } else if (demand_part(s->part) == n->part && s->on_hand > 0) {
            n->old = s->part;
            n->old_on_hand += s->on_hand;
        }
    }
    for (size_t i = 0; i < n->fans; i++)
        n->old_fans += n->places[i].fitted != n->part;
    /* An old part serves only where one is fitted now. */
    n->old_on_hand = n->old_on_hand < n->old_fans ? n->old_on_hand : n->old_fans;
}

/* On the shelf within some days: what is there and what is due by then (or due on no known day). */
static int available(const struct plan *p, const struct need *n, double days)
{
    int pieces = n->on_hand + n->old_on_hand;
    for (size_t i = 0; i < n->stock_count; i++) {
        const struct stock *s = &n->stock[i];
        if (s->part == n->part && (s->due_day == DAY_UNKNOWN || s->due_day - p->today <= days))
            pieces += s->on_order;
    }
    return pieces;
}

/*
 * Demand over the lead time and some days more. A lead time that varies is taken at three values with the
 * weights of Gauss and Hermite, which keep its mean and its standard deviation.
 */
static struct distribution demand_over(const struct plan *p, struct need *n, double more_days)
{
    static const double weights[] = {1 / 6., 2 / 3., 1 / 6.};
    double sd = n->part->lead_time_sd_days;
    struct distribution list[3];

    if (!(sd > 0))
        return demand_within(p->renewals, n->places, n->fans, n->lead_days + more_days, p->mem, &n->unjudged);
    for (int i = 0; i < 3; i++) {
        double lead = fmax(0, n->lead_days + (i - 1) * sqrt(3) * sd);
        list[i] = demand_within(p->renewals, n->places, n->fans, lead + more_days, p->mem, &n->unjudged);
    }
    return distribution_mixture(list, weights, 3, p->mem);
}

static int rounded_order(const struct part *part, int shortfall)
{
    int step = part->order_multiple > 1 ? part->order_multiple : 1;
    int least = shortfall > part->minimum_order ? shortfall : part->minimum_order;
    return shortfall > 0 ? (least + step - 1) / step * step : 0;
}

/* A later order arrives later: the last day on which what is there still gives the service until then. */
static int32_t order_by(const struct plan *p, struct need *n)
{
    int32_t days = 0;
    while (days < STOCK_REVIEW_DAYS) {
        struct distribution d = demand_over(p, n, days + 1);
        int s = available(p, n, n->lead_days + days + 1);
        if (stock_service(&d, s).ready_rate < p->service)
            break;
        days++;
    }
    int32_t day = p->today + days, last = n->part->last_order_day;
    return last != DAY_UNKNOWN && last < day ? last : day;
}

static const char *expected_words(const struct plan *p, double mean)
{
    return arena_printf(p->mem, mean < 0.095 && mean > 0 ? "%.2g" : "%.1f", mean);
}

static const char *supply_words(const struct plan *p, const struct need *n, int counted_on_order)
{
    const char *words = arena_printf(p->mem, "%d on the shelf, %d on order", n->on_hand, n->on_order);
    if (counted_on_order < n->on_order)
        words = arena_printf(p->mem, "%s (%d of them due later)", words, n->on_order - counted_on_order);
    else if (n->undated > 0)
        words = arena_printf(p->mem, "%s (due on no known day)", words);
    if (n->old_on_hand > 0)
        words =
            arena_printf(p->mem, "%s, %d of the superseded %s usable", words, n->old_on_hand, n->old->part);
    return words;
}

/* What else the reader has to know, each as "; ...". */
static const char *notes(const struct plan *p, const struct need *n, const struct order_line *line,
                         int shortfall)
{
    const char *words = "";
    char day[DAY_TEXT];

    if (line->order > 0 && line->order > shortfall)
        words = arena_printf(p->mem, "%s; ordered in steps of %d, at least %d", words,
                             n->part->order_multiple, n->part->minimum_order);
    if (isnan(n->part->lead_time_days) && n->fans > 0)
        words =
            arena_printf(p->mem, "%s; lead time not known, %d days taken", words, STOCK_DEFAULT_LEAD_DAYS);
    if (n->old_fans > 0)
        words = arena_printf(p->mem, "%s; fans that still have a superseded part: %d of %zu", words,
                             n->old_fans, n->fans);
    if (n->unjudged > 0)
        words = arena_printf(p->mem, "%s; fans not counted because nothing is known of their life: %d of %zu",
                             words, n->unjudged, n->fans);
    if (n->part->last_order_day == DAY_UNKNOWN || shortfall <= 0)
        return words;
    day_format(n->part->last_order_day, day);
    return arena_printf(p->mem,
                        n->part->last_order_day < p->today
                            ? "%s; last order day %s has passed, look for a successor"
                            : "%s; last order day %s",
                        words, day);
}

static const char *why_of(const struct plan *p, const struct need *n, const struct order_line *line,
                          int shortfall)
{
    int counted = available(p, n, line->span_days) - n->on_hand - n->old_on_hand;
    const char *supply = supply_words(p, n, counted), *more = notes(p, n, line, shortfall);

    if (n->fans == 0 && n->part->successor)
        return arena_printf(p->mem, "superseded by %s; %s%s", demand_part(n->part)->part, supply, more);
    if (n->fans == 0)
        return arena_printf(p->mem, "no fan at the site takes it; %s%s", supply, more);
    return arena_printf(p->mem, "%s expected within %.0f days, %s: %.4g %% service needs %d%s",
                        expected_words(p, line->mean), line->span_days, supply, 100 * p->service,
                        line->base_stock, more);
}

static int by_address(const void *a, const void *b)
{
    const struct drive_risk *x = *(const struct drive_risk *const *)a,
                            *y = *(const struct drive_risk *const *)b;
    return (x > y) - (x < y);
}

/* Drives to act on whose fan of this part is what puts them at risk, dearest first (as they are ranked). */
static void set_drives(const struct plan *p, const struct need *n, struct order_line *line)
{
    const struct drive_risk **list = arena_array(p->mem, const struct drive_risk *, n->fans + 1);
    size_t count = 0;

    for (size_t i = 0; i < n->fans; i++) {
        const struct demand_place *place = &n->places[i];
        bool to_act = !place->drive->unknown && place->drive->action != ACTION_WATCH;
        bool its_fan = place->risk->probability >= place->drive->probability / 2;
        if (to_act && its_fan && (count == 0 || list[count - 1] != place->drive))
            list[count++] = place->drive;
    }
    qsort(list, count, sizeof(void *), by_address);
    line->drives = list;
    line->drive_count = count < STOCK_MOST_DRIVES ? count : STOCK_MOST_DRIVES;
}

static struct order_line line_of(const struct plan *p, struct need *n)
{
    n->lead_days = lead_of(n->part);
    take_stock(p, n);

    struct distribution demand = demand_over(p, n, STOCK_REVIEW_DAYS);
    struct order_line line = {.part = n->part,
                              .site = n->site,
                              .on_hand = n->on_hand,
                              .on_order = n->on_order,
                              .span_days = n->lead_days + STOCK_REVIEW_DAYS,
                              .mean = distribution_mean(&demand),
                              .quantile = distribution_quantile(&demand, p->service),
                              .order_by_day = DAY_UNKNOWN};
    bool asked_for = n->fans > (size_t)n->unjudged,
         can_order = n->part->last_order_day == DAY_UNKNOWN || n->part->last_order_day >= p->today;
    line.base_stock = asked_for ? stock_base(&demand, p->service) : 0;
    int there = available(p, n, line.span_days), shortfall = line.base_stock - there;

    line.order = can_order ? rounded_order(n->part, shortfall) : 0;
    line.service_without = stock_service(&demand, there).ready_rate;
    line.service_with = stock_service(&demand, there + line.order).ready_rate;
    line.cost_minor = n->part->price_minor < 0 ? -1 : n->part->price_minor * line.order;
    if (line.order > 0)
        line.order_by_day = order_by(p, n);
    line.why = why_of(p, n, &line, shortfall);
    set_drives(p, n, &line);
    return line;
}

static int by_order_part_site(const void *a, const void *b)
{
    const struct order_line *x = a, *y = b;
    int order = (y->order > 0) - (x->order > 0);
    if (!order)
        order = strcmp(x->part->part, y->part->part);
    return order ? order : strcmp(x->site->site, y->site->site);
}

static bool is_asked_site(const struct fleet *fleet, const struct site *site)
{
    return !fleet->only_site || strcmp(fleet->only_site, site->site) == 0;
}

size_t stock_plan(const struct assessment *a, double service, struct arena *mem, struct order_line **lines)
{
    const struct fleet *fleet = a->fleet;
    struct plan p = {.a = a,
                     .renewals = demand_renewals_new(a, mem),
                     .mem = mem,
                     .service = service,
                     .today = day_of(fleet->as_of_us)};
    struct demand_place *places;
    size_t n = demand_places(a, mem, &places), count = 0;

    sort_stock(&p);
    *lines = arena_array(mem, struct order_line, n + p.stock_count);
    for (size_t i = 0, run; i < n; i += run) {
        for (run = 1;
             i + run < n && places[i + run].part == places[i].part && places[i + run].site == places[i].site;)
            run++;
        struct need need = {
            .part = places[i].part, .site = places[i].site, .places = places + i, .fans = run};
        (*lines)[count++] = line_of(&p, &need);
    }
    for (size_t i = 0; i < p.stock_count; i++) {
        const struct stock *s = &p.stock[i];
        if (!is_asked_site(fleet, s->site) || p.lined[i])
            continue;
        struct need need = {.part = s->part, .site = s->site};
        (*lines)[count++] = line_of(&p, &need);
    }
    qsort(*lines, count, sizeof **lines, by_order_part_site);
    return count;
}
