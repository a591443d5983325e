#include "reader.h"

#include "base/clock.h"
#include "reader_parts.h"

#include <stdlib.h>

enum {
    TRIES = 3,   /* in a run that ends */
    LOOK_MS = 5, /* whether the database has stored */
};
static const size_t NOTES_BYTES = (size_t)1024 * 1024 * 1024;

struct reader *reader_new(enum reader_mode mode, size_t in_flight)
{
    struct reader *r = calloc(1, sizeof *r);
    if (!r)
        err_no_memory();
    r->mode = mode;
    r->lost = true;
    r->totals.last_success_us = TIME_UNKNOWN;
    lanes_init(&r->lanes, in_flight);
    /* When nothing takes what waits, the answers under way come on top of a full house. */
    pending_init(&r->pending, lanes_room(&r->lanes), &r->totals);
    return r;
}

void reader_free(struct reader *r)
{
    if (!r)
        return;
    fetch_free(r->fetch);
    lanes_release(&r->lanes);
    roster_release(&r->roster);
    register_look_drop(&r->look);
    pending_release(&r->pending);
    free(r);
}

void reader_use_spool(struct reader *r, struct spool *spool, struct register_copy *copy)
{
    r->copy = copy;
    r->pending.drain = (struct drain){.spool = spool};
}

static void finish(struct reader *r, struct station *st)
{
    st->finished = true;
    r->finished++;
}

/* When to ask again after a complete answer. */
static void put_next(struct reader *r, struct station *st, bool more)
{
    int64_t now_ms = clock_mono_ms();
    if (more && r->mode != READ_ONCE)
        lanes_put(&r->lanes, st, now_ms);
    else if (r->mode == READ_FOR_EVER)
        lanes_put(&r->lanes, st, schedule_next_ms(st->key, st->source->period_ms, now_ms));
    else
        finish(r, st);
}

static void put_for_retry(struct reader *r, struct station *st)
{
    lanes_put(&r->lanes, st, schedule_retry_ms(st->key, st->failures, clock_mono_ms()));
}

static void put_after_failure(struct reader *r, struct station *st)
{
    r->notes.failures = true;
    if (r->mode != READ_FOR_EVER && st->failures >= TRIES)
        finish(r, st);
    else
        put_for_retry(r, st);
}

void reader_lose(struct reader *r)
{
    pending_drop(&r->pending);
    r->lost = true;
}

/* Storing. */

static void count_drained(void *totals, const struct batch *b, const struct refused_rows *refused)
{
    totals_add(totals, b, refused);
}

bool reader_drain(struct reader *r, struct db *db, struct err *err)
{
    bool states;
    bool ok = drain_turn(&r->pending.drain, db, count_drained, &r->totals, &states, err);
    r->has_conditions |= states;
    return ok;
}

/* In a run that ends, sources whose batches were not stored are read once more. */
static void read_again(struct reader *r, const struct sent_back *back)
{
    for (size_t k = 0; k < back->count; k++) {
        struct station *st = back->stations[k];
        if (!st->finished || st->failures >= TRIES)
            continue;
        st->finished = false;
        r->finished--;
        put_for_retry(r, st);
    }
}

/* Until nothing is under way to the database. */
static bool settle(struct reader *r, struct err *err)
{
    struct sent_back back;
    bool ok = pending_settle(&r->pending, &back, err);
    r->notes.failures |= back.count > 0;
    if (back.count) /* which instances they left is read with the register */
        reader_forget_version(r);
    if (ok)
        read_again(r, &back);
    pending_tidy(&r->pending);
    return ok;
}

static bool store_notes(struct reader *r, struct db *db, struct err *err)
{
    struct arena *mem = arena_new(NOTES_BYTES);
    bool ok = source_notes_store(&r->notes, &r->roster, db, mem, err);
    arena_free(mem);
    return ok;
}

bool reader_flush(struct reader *r, struct db *db, struct err *err)
{
    pending_store(&r->pending, db);
    return settle(r, err) && (!db || store_notes(r, db, err));
}

/* Asking and taking. */

static void ask(struct reader *r, struct station *st)
{
    lanes_ask(&r->lanes, st, clock_mono_ms());
    station_ask(st, r->fetch);
}

static void ask_due(struct reader *r)
{
    if (r->pending.stuck)
        return;
    lanes_doubt(&r->lanes, clock_mono_ms());
    for (struct station *st; (st = lanes_next(&r->lanes, clock_mono_ms()));)
        ask(r, st);
}

static void take(struct reader *r, const struct fetched *came)
{
    struct station *st = came->tag;
    st->in_flight = false;
    r->totals.polls++;
    lanes_answered(&r->lanes, st);
    if (st->gone) {
        station_free(st);
        return;
    }
    if (st->discard) {
        st->discard = false;
        poll_restart(&st->poll);
        lanes_put(&r->lanes, st, clock_mono_ms());
        return;
    }
    r->notes.certificates |= came->certificate_end_us != TIME_UNKNOWN;
    bool more = false;
    struct batch *b = pending_next(&r->pending);
    switch (station_take(st, came, clock_now_us(), pending_mem(&r->pending), b, &more)) {
    case POLL_GO_ON: /* at once: it holds the documents of its first answers */
        r->notes.checks |= st->checks_are_new;
        ask(r, st);
        break;
    case POLL_FAILED:
        r->totals.failures[st->failure]++;
        put_after_failure(r, st);
        break;
    case POLL_COMPLETE:
        pending_add(&r->pending, st, clock_mono_ms());
        put_next(r, st, more);
        break;
    }
}

static bool all_finished(const struct reader *r)
{
    return r->mode != READ_FOR_EVER && r->roster.mem && r->finished == r->roster.count;
}

/* Lets the database store what is due, while sources are asked on. */
static bool store_due(struct reader *r, struct db *db, bool may_begin, struct err *err)
{
    struct pending *p = &r->pending;
    if (pending_is_storing(p)) {
        if (!pending_is_over(p))
            return true;
        if (!settle(r, err))
            return false;
    }
    if (may_begin && (all_finished(r) || pending_is_due(p, clock_mono_ms()))) {
        pending_store(p, db);
        pending_tidy(p);
    }
    return true;
}

/* How long an answer may be waited for. */
static int64_t wait_ms(const struct reader *r, int64_t now_ms, int64_t end_ms)
{
    const struct pending *p = &r->pending;
    int64_t until_ms = p->stuck ? end_ms : lanes_next_ms(&r->lanes, end_ms);
    if (pending_is_storing(p))
        until_ms = now_ms + LOOK_MS < until_ms || until_ms < now_ms ? now_ms + LOOK_MS : until_ms;
    else if (pending_count(p) && p->due_ms < until_ms)
        until_ms = p->due_ms;
    return until_ms > now_ms ? until_ms - now_ms : 0;
}

bool reader_turn(struct reader *r, struct db *db, int64_t at_most_ms, struct err *err)
{
    int64_t now_ms = clock_mono_ms(), end_ms = now_ms + at_most_ms;
    for (; (now_ms < end_ms && !reader_is_done(r)) || pending_is_storing(&r->pending);
         now_ms = clock_mono_ms()) {
        ask_due(r);
        struct fetched came;
        if (fetch_wait(r->fetch, wait_ms(r, now_ms, end_ms), &came))
            take(r, &came);
        if (!store_due(r, db, now_ms < end_ms, err))
            return false;
    }
    return !db || store_notes(r, db, err);
}

bool reader_is_done(const struct reader *r)
{
    return all_finished(r) && !pending_count(&r->pending);
}

bool reader_has_conditions(struct reader *r)
{
    bool has = r->has_conditions || r->totals.conditions != r->conditions_told;
    r->has_conditions = false;
    r->conditions_told = r->totals.conditions;
    return has;
}

size_t reader_waiting(const struct reader *r)
{
    return pending_count(&r->pending);
}

const struct totals *reader_totals(const struct reader *r)
{
    return &r->totals;
}

const struct roster *reader_roster(const struct reader *r)
{
    return &r->roster;
}
