#include "lanes.h"

#include <stdlib.h>
#include <string.h>

enum {
    LONG_ANSWER_MS = 1000, /* makes a source doubtful */
    SLOW_ROOM = 4,         /* so many times the places are there when answers take long */
};

/* A site, as far as its sound sources go. */
struct lanes_site {
    struct lanes_site *next;
    struct station *first_parked, *last_parked; /* due, but the places are for other sites now */
    size_t under_way;
    char name[];
};

void lanes_init(struct lanes *l, size_t most)
{
    *l = (struct lanes){.most = most};
    for (int lane = 0; lane < LANES; lane++)
        l->due[lane] = schedule_new();
}

static struct station *unpark(struct lanes *l, struct lanes_site *site)
{
    struct station *st = site->first_parked;
    if (st) {
        site->first_parked = st->after;
        l->parked--;
    }
    return st;
}

void lanes_release(struct lanes *l)
{
    struct station *st;
    for (int lane = 0; lane < LANES; lane++) {
        while (l->due[lane] && (st = schedule_take(l->due[lane], INT64_MAX)))
            if (st->gone)
                station_free(st);
        schedule_free(l->due[lane]);
    }
    for (struct lanes_site *site = l->sites, *next; site; site = next) {
        next = site->next;
        while ((st = unpark(l, site)))
            if (st->gone)
                station_free(st);
        free(site);
    }
}

size_t lanes_room(const struct lanes *l)
{
    return SLOW_ROOM * l->most;
}

/* Sites are few, and a source seldom moves. */
static void find_site(struct lanes *l, struct station *st)
{
    const char *name = st->source->site;
    if (st->site && strcmp(st->site->name, name) == 0)
        return;
    struct lanes_site *site = l->sites;
    while (site && strcmp(site->name, name) != 0)
        site = site->next;
    if (!site) {
        size_t bytes = strlen(name) + 1;
        site = calloc(1, sizeof *site + bytes);
        if (!site)
            err_no_memory();
        memcpy(site->name, name, bytes);
        site->next = l->sites;
        l->sites = site;
        l->site_count++;
    }
    st->site = site;
}

void lanes_put(struct lanes *l, struct station *st, int64_t due_ms)
{
    st->lane = st->failures ? LANE_DOUBTFUL : LANE_SOUND;
    find_site(l, st);
    schedule_put(l->due[st->lane], due_ms, st);
}

static bool has_place(const struct lanes *l, int lane)
{
    size_t all = l->under_way[LANE_SOUND] + l->under_way[LANE_DOUBTFUL];
    if (lane == LANE_DOUBTFUL)
        return l->under_way[lane] < (l->most + 1) / 2 && all < l->most;
    return l->under_way[lane] < l->most && all < lanes_room(l);
}

/* The last quarter of the places is for sites that hold less than an equal share. */
static bool may_ask(const struct lanes *l, const struct lanes_site *site)
{
    return (l->most - l->under_way[LANE_SOUND]) * 4 > l->most || site->under_way * l->site_count < l->most;
}

/* The longest due of the site that has the fewest places. */
static struct station *next_parked(struct lanes *l)
{
    struct lanes_site *least = NULL;
    for (struct lanes_site *s = l->parked ? l->sites : NULL; s; s = s->next)
        if (s->first_parked && (!least || s->under_way < least->under_way))
            least = s;
    return least && may_ask(l, least) ? unpark(l, least) : NULL;
}

static void park(struct lanes *l, struct station *st)
{
    struct lanes_site *site = st->site;
    st->after = NULL;
    if (site->first_parked)
        site->last_parked->after = st;
    else
        site->first_parked = st;
    site->last_parked = st;
    l->parked++;
}

static struct station *next_due(struct lanes *l, int lane, int64_t now_ms)
{
    struct station *st = lane == LANE_SOUND ? next_parked(l) : NULL;
    while (!st && (st = schedule_take(l->due[lane], now_ms)) && lane == LANE_SOUND && !st->gone &&
           !may_ask(l, st->site)) {
        park(l, st);
        st = NULL;
    }
    return st;
}

struct station *lanes_next(struct lanes *l, int64_t now_ms)
{
    for (int lane = 0; lane < LANES; lane++) {
        struct station *st;
        while (has_place(l, lane) && (st = next_due(l, lane, now_ms))) {
            if (!st->gone)
                return st;
            station_free(st);
        }
    }
    return NULL;
}

int64_t lanes_next_ms(const struct lanes *l, int64_t at_latest_ms)
{
    for (int lane = 0; lane < LANES; lane++) {
        int64_t due_ms = schedule_due_ms(l->due[lane]);
        if (due_ms < at_latest_ms && has_place(l, lane))
            at_latest_ms = due_ms;
    }
    return at_latest_ms;
}

void lanes_ask(struct lanes *l, struct station *st, int64_t now_ms)
{
    st->asked_ms = now_ms;
    l->under_way[st->lane]++;
    if (st->lane != LANE_SOUND)
        return;
    st->site->under_way++;
    st->after = NULL;
    st->before = l->last_asked;
    *(st->before ? &st->before->after : &l->first_asked) = st;
    l->last_asked = st;
}

void lanes_answered(struct lanes *l, struct station *st)
{
    l->under_way[st->lane]--;
    if (st->lane != LANE_SOUND)
        return;
    st->site->under_way--;
    *(st->before ? &st->before->after : &l->first_asked) = st->after;
    *(st->after ? &st->after->before : &l->last_asked) = st->before;
}

void lanes_doubt(struct lanes *l, int64_t now_ms)
{
    for (struct station *st; (st = l->first_asked) && now_ms - st->asked_ms >= LONG_ANSWER_MS;) {
        lanes_answered(l, st);
        st->lane = LANE_DOUBTFUL;
        l->under_way[LANE_DOUBTFUL]++;
    }
}
