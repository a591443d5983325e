#include "pending.h"

#include "base/clock.h"
#include "base/log.h"
#include "load.h"

#include <stdlib.h>

enum {
    FLUSH_MS = 1000,
    FLUSH_STATES_MS = 150, /* a warning lasts a minute only */
    FLUSH_READINGS = 10000,
    FLUSH_BATCHES = 4096,
    STUCK_MS = 1000, /* until the spool is tried again */
};
static const size_t BATCH_BYTES = (size_t)2 * 1024 * 1024 * 1024;

void pending_init(struct pending *p, size_t under_way, struct totals *totals)
{
    *p = (struct pending){.mem = arena_new(BATCH_BYTES), .totals = totals};
    p->batches = calloc(FLUSH_BATCHES + under_way, sizeof *p->batches);
    p->owners = calloc(FLUSH_BATCHES + under_way, sizeof(struct station *));
    if (!p->batches || !p->owners)
        err_no_memory();
}

void pending_release(struct pending *p)
{
    arena_free(p->mem);
    free(p->batches);
    free(p->owners);
}

struct batch *pending_next(const struct pending *p)
{
    return &p->batches[p->count];
}

/* State changes are not kept waiting. */
static void plan_flush(struct pending *p, const struct batch *b, int64_t now_ms)
{
    int64_t due_ms = now_ms + (b->condition_count ? FLUSH_STATES_MS : FLUSH_MS);
    if (!p->stuck && (!p->count || due_ms < p->due_ms))
        p->due_ms = due_ms;
}

void pending_add(struct pending *p, struct station *owner, int64_t now_ms)
{
    const struct batch *b = &p->batches[p->count];
    plan_flush(p, b, now_ms);
    p->owners[p->count++] = owner;
    p->readings += b->reading_count;
}

bool pending_must_flush(const struct pending *p, int64_t now_ms)
{
    bool is_full = p->readings >= FLUSH_READINGS || p->count >= FLUSH_BATCHES;
    return p->count && ((is_full && !p->stuck) || now_ms >= p->due_ms);
}

static bool has_station(const struct sent_back *back, const struct station *st)
{
    for (size_t k = 0; k < back->count; k++) {
        if (back->stations[k] == st)
            return true;
    }
    return false;
}

/* Sources whose batches were not stored go back to where they are stored. */
static bool send_back(struct pending *p, struct db *db, const struct load_result *results,
                      struct sent_back *back, struct err *err)
{
    const struct source **sources = arena_array(p->mem, const struct source *, p->count);
    back->stations = arena_array(p->mem, struct station *, p->count);
    for (size_t k = 0; k < p->count; k++) {
        struct station *st = p->owners[k];
        if (results[k].fate == LOAD_STORED || has_station(back, st))
            continue;
        sources[back->count] = st->source;
        back->stations[back->count++] = st;
        const char *why = results[k].why ? results[k].why : "another collector reads it too";
        station_failed(st, FAILURE_NOT_STORED, why, clock_now_us());
        p->totals->failures[FAILURE_NOT_STORED]++;
        p->totals->stale_batches += results[k].fate == LOAD_STALE;
    }
    struct cursor *cursors = arena_array(p->mem, struct cursor, back->count);
    if (back->count && !cursors_load(db, sources, back->count, p->mem, cursors, err))
        return false;
    for (size_t k = 0; k < back->count; k++)
        station_stand(back->stations[k], &cursors[k]);
    return true;
}

static bool store(struct pending *p, struct db *db, struct sent_back *back, struct err *err)
{
    struct load_result *results = arena_array(p->mem, struct load_result, p->count);
    int64_t began_ms = clock_mono_ms();
    if (!load_batches(db, p->batches, p->count, p->mem, results, err))
        return false;
    histogram_add(&p->totals->commits, (double)(clock_mono_ms() - began_ms) / 1000);
    for (size_t k = 0; k < p->count; k++) {
        if (results[k].fate != LOAD_STORED)
            continue;
        totals_add(p->totals, &p->batches[k], &results[k].refused);
        p->totals->last_success_us = clock_now_us();
        station_answered(p->owners[k]);
    }
    return send_back(p, db, results, back, err);
}

static void nothing_waits(struct pending *p)
{
    if (p->stuck)
        log_info("spool.takes", "batches=%zu", p->count);
    p->stuck = false;
    p->count = p->readings = 0;
}

/* What waits goes to the spool, or goes on waiting. */
static void keep(struct pending *p)
{
    struct err why = {0};
    if (spool_append(p->drain.spool, p->batches, p->count, &why)) {
        for (size_t k = 0; k < p->count; k++)
            station_answered(p->owners[k]);
        nothing_waits(p);
        return;
    }
    if (!p->stuck)
        log_error("spool.refuses", "batches=%zu why='%s'", p->count, why.text);
    p->stuck = true;
    p->due_ms = clock_mono_ms() + STUCK_MS;
}

bool pending_flush(struct pending *p, struct db *db, struct sent_back *back, struct err *err)
{
    *back = (struct sent_back){0};
    if (!p->count)
        return true;
    if (p->drain.spool && (!db || !spool_empty(p->drain.spool))) {
        keep(p);
        return true;
    }
    bool ok = store(p, db, back, err);
    if (!ok && p->drain.spool) /* it may be stored all the same: the chain of cursors will tell */
        keep(p);
    else
        nothing_waits(p);
    return ok;
}

void pending_tidy(struct pending *p)
{
    if (!p->count)
        arena_reset(p->mem);
}

void pending_drop(struct pending *p)
{
    p->count = p->readings = 0;
    arena_reset(p->mem);
}
