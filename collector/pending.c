#include "pending.h"

#include "base/clock.h"
#include "base/log.h"
#include "load.h"

#include <stdlib.h>

enum {
    FLUSH_MS = 1000,
    FLUSH_STATES_MS = 150, /* a warning lasts a minute only */
    FLUSH_READINGS = 10000,
    FLUSH_BATCHES = 1024,
    MOST_READINGS = 200000, /* gathered while the database stores */
    MOST_BATCHES = 4096,
    STUCK_MS = 1000, /* until the spool is tried again */
};
static const size_t BATCH_BYTES = (size_t)2 * 1024 * 1024 * 1024;

static struct gathered gathered_new(size_t most)
{
    struct gathered g = {.mem = arena_new(BATCH_BYTES)};
    g.batches = calloc(most, sizeof *g.batches);
    g.owners = calloc(most, sizeof(struct station *));
    if (!g.batches || !g.owners)
        err_no_memory();
    return g;
}

static void gathered_release(struct gathered *g)
{
    arena_free(g->mem);
    free(g->batches);
    free(g->owners);
}

void pending_init(struct pending *p, size_t under_way, struct totals *totals)
{
    *p = (struct pending){.next = gathered_new(MOST_BATCHES + under_way),
                          .first = gathered_new(MOST_BATCHES + under_way),
                          .totals = totals};
}

void pending_release(struct pending *p)
{
    gathered_release(&p->next);
    gathered_release(&p->first);
}

struct batch *pending_next(const struct pending *p)
{
    return &p->next.batches[p->next.count];
}

struct arena *pending_mem(const struct pending *p)
{
    return p->next.mem;
}

size_t pending_count(const struct pending *p)
{
    return p->first.count + p->next.count;
}

/* State changes are not kept waiting. */
static void plan_flush(struct pending *p, const struct batch *b, int64_t now_ms)
{
    int64_t due_ms = now_ms + (b->condition_count ? FLUSH_STATES_MS : FLUSH_MS);
    if (!p->stuck && (!p->next.count || due_ms < p->due_ms))
        p->due_ms = due_ms;
}

void pending_add(struct pending *p, struct station *owner, int64_t now_ms)
{
    struct gathered *g = &p->next;
    const struct batch *b = &g->batches[g->count];
    plan_flush(p, b, now_ms);
    g->owners[g->count++] = owner;
    g->readings += b->reading_count;
}

bool pending_is_due(const struct pending *p, int64_t now_ms)
{
    bool is_enough = p->next.readings >= FLUSH_READINGS || p->next.count >= FLUSH_BATCHES;
    return pending_count(p) && ((is_enough && !p->stuck) || now_ms >= p->due_ms);
}

static bool has_station(const struct sent_back *back, const struct station *st)
{
    for (size_t k = 0; k < back->count; k++) {
        if (back->stations[k] == st)
            return true;
    }
    return false;
}

/* What was gathered of these sources meanwhile follows on what was not stored: it will be read again. */
static void drop_next_of(struct pending *p, const struct sent_back *back)
{
    struct gathered *g = &p->next;
    size_t kept = 0;
    g->readings = 0;
    for (size_t k = 0; k < g->count; k++) {
        if (has_station(back, g->owners[k]))
            continue;
        g->batches[kept] = g->batches[k];
        g->owners[kept++] = g->owners[k];
        g->readings += g->batches[k].reading_count;
    }
    g->count = kept;
}

/* Sources whose batches were not stored go back to where they are stored. */
static bool send_back(struct pending *p, const struct load_result *results, struct sent_back *back,
                      struct err *err)
{
    const struct gathered *g = &p->first;
    const struct source **sources = arena_array(g->mem, const struct source *, g->count);
    back->stations = arena_array(g->mem, struct station *, g->count);
    for (size_t k = 0; k < g->count; k++) {
        struct station *st = g->owners[k];
        if (results[k].fate == LOAD_STORED || has_station(back, st))
            continue;
        sources[back->count] = st->source;
        back->stations[back->count++] = st;
        const char *why = results[k].why ? results[k].why : "another collector reads it too";
        station_failed(st, FAILURE_NOT_STORED, why, clock_now_us());
        p->totals->failures[FAILURE_NOT_STORED]++;
        p->totals->stale_batches += results[k].fate == LOAD_STALE;
    }
    struct cursor *cursors = arena_array(g->mem, struct cursor, back->count);
    if (back->count && !cursors_load(p->load.db, sources, back->count, g->mem, cursors, err))
        return false;
    for (size_t k = 0; k < back->count; k++)
        station_stand(back->stations[k], &cursors[k]);
    if (back->count)
        drop_next_of(p, back);
    return true;
}

/* What became of the first ones. */
static bool take_results(struct pending *p, struct sent_back *back, struct err *err)
{
    const struct gathered *g = &p->first;
    struct load_result *results = arena_array(g->mem, struct load_result, g->count);
    if (!load_end(&p->load, results, err))
        return false;
    histogram_add(&p->totals->commits, (double)(clock_mono_ms() - p->began_ms) / 1000);
    for (size_t k = 0; k < g->count; k++) {
        if (results[k].fate != LOAD_STORED)
            continue;
        totals_add(p->totals, &g->batches[k], &results[k].refused);
        p->totals->last_success_us = clock_now_us();
        station_answered(g->owners[k]);
    }
    return send_back(p, results, back, err);
}

static void none_left(struct gathered *g)
{
    g->count = g->readings = 0;
}

/* The first of what waits becomes the first ones. */
static void move_up(struct pending *p)
{
    struct gathered empty = p->first;
    if (empty.count)
        return;
    p->first = p->next;
    p->next = empty;
}

static bool spool_first(struct pending *p)
{
    struct err why = {0};
    struct gathered *g = &p->first;
    if (!spool_append(p->drain.spool, g->batches, g->count, &why)) {
        if (!p->stuck)
            log_error("spool.refuses", "batches=%zu why='%s'", pending_count(p), why.text);
        return false;
    }
    for (size_t k = 0; k < g->count; k++)
        station_answered(g->owners[k]);
    none_left(g);
    return true;
}

/* What waits goes to the spool, or goes on waiting. */
static void keep(struct pending *p)
{
    size_t count = pending_count(p);
    while (pending_count(p)) {
        move_up(p);
        if (spool_first(p))
            continue;
        p->stuck = true;
        p->due_ms = clock_mono_ms() + STUCK_MS;
        return;
    }
    if (p->stuck)
        log_info("spool.takes", "batches=%zu", count);
    p->stuck = false;
}

void pending_store(struct pending *p, struct db *db)
{
    if (!pending_count(p))
        return;
    if (p->drain.spool && (!db || !spool_empty(p->drain.spool))) {
        keep(p);
        return;
    }
    move_up(p);
    p->is_storing = true;
    p->began_ms = clock_mono_ms();
    load_send(&p->load, db, p->first.batches, p->first.count, p->first.mem);
}

bool pending_is_storing(const struct pending *p)
{
    return p->is_storing;
}

bool pending_is_over(const struct pending *p)
{
    bool is_full = p->next.readings >= MOST_READINGS || p->next.count >= MOST_BATCHES;
    return load_is_over(&p->load) || is_full;
}

bool pending_settle(struct pending *p, struct sent_back *back, struct err *err)
{
    *back = (struct sent_back){0};
    if (!p->is_storing)
        return true;
    p->is_storing = false;
    bool ok = take_results(p, back, err);
    if (!ok && p->drain.spool) { /* it may be stored all the same: the chain of cursors will tell */
        keep(p);
        return false;
    }
    if (p->stuck)
        log_info("spool.takes", "batches=%zu", p->first.count);
    p->stuck = false;
    none_left(&p->first);
    return ok;
}

void pending_tidy(struct pending *p)
{
    struct gathered *both[] = {&p->first, &p->next};
    for (size_t k = 0; k < sizeof both / sizeof *both; k++)
        if (!both[k]->count)
            arena_reset(both[k]->mem);
}

void pending_drop(struct pending *p)
{
    none_left(&p->first);
    none_left(&p->next);
    pending_tidy(p);
}
