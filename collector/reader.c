#include "reader.h"

#include "base/clock.h"
#include "lanes.h"
#include "pending.h"
#include "roster.h"
#include "source_notes.h"

#include <stdlib.h>

enum { TRIES = 3 }; /* in a run that ends */
static const size_t REGISTER_BYTES = (size_t)8 * 1024 * 1024 * 1024;

struct reader {
    enum reader_mode mode;
    struct roster roster;
    size_t finished; /* stations with nothing more to do */
    struct lanes lanes;
    struct fetch *fetch; /* NULL before the first register */
    struct pending pending;
    struct register_copy *copy; /* NULL: none is kept */
    struct source_notes notes;
    bool lost; /* the stations stand where nothing is stored */
    bool has_conditions;
    int64_t conditions_told;
    struct totals totals;
};

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

/* The register. */

static bool make_fetch(struct reader *r, size_t targets, struct err *err)
{
    if (r->fetch) {
        fetch_expect(r->fetch, targets);
        return true;
    }
    struct fetch_limits limits = fetch_usual_limits;
    limits.targets = targets;
    return fetch_new(&r->fetch, &limits, err);
}

/* Where reading goes on: behind what is spooled, else where it is stored. */
static void stand(const struct reader *r, struct station *st)
{
    struct cursor at;
    const struct spool *spool = r->pending.drain.spool;
    bool is_spooled = spool && spool_end(spool, st->key, &at);
    station_stand(st, is_spooled ? &at : &st->source->cursor);
}

static void begin(struct reader *r, struct station *st)
{
    int64_t now_ms = clock_mono_ms();
    if (r->mode == READ_FOR_EVER) {
        lanes_put(&r->lanes, st, schedule_next_ms(st->key, st->source->period_ms, now_ms));
    } else {
        st->failures = 0;
        lanes_put(&r->lanes, st, now_ms);
    }
}

static void place_stations(struct reader *r)
{
    for (size_t k = 0; k < r->roster.count; k++) {
        struct station *st = r->roster.stations[k];
        if (st->is_new || r->lost)
            stand(r, st);
        if (st->is_new)
            begin(r, st);
    }
}

static void follow(struct reader *r, struct bindings *fresh, struct arena *mem)
{
    roster_follow(&r->roster, fresh, mem);
    place_stations(r);
}

bool reader_register(struct reader *r, struct db *db, struct err *err)
{
    if (!reader_flush(r, db, err))
        return false;
    if (r->pending.count) /* stuck: they speak of the register that we have */
        return true;
    struct arena *mem = arena_new(REGISTER_BYTES);
    struct bindings fresh;
    if (!bindings_load(db, mem, &fresh, err) || !make_fetch(r, fresh.count, err)) {
        arena_free(mem);
        return false;
    }
    if (r->copy)
        register_copy_keep(r->copy, &fresh, clock_mono_ms());
    follow(r, &fresh, mem);
    r->has_conditions |= r->lost; /* stored, but perhaps not worked out */
    r->lost = false;
    return true;
}

bool reader_register_from_copy(struct reader *r, struct err *err)
{
    struct arena *mem = arena_new(REGISTER_BYTES);
    struct bindings kept;
    if (!register_copy_read(r->copy, mem, &kept, err) || !make_fetch(r, kept.count, err)) {
        arena_free(mem);
        return false;
    }
    follow(r, &kept, mem);
    return true;
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

bool reader_flush(struct reader *r, struct db *db, struct err *err)
{
    struct sent_back back;
    bool ok = pending_flush(&r->pending, db, &back, err);
    r->notes.failures |= back.count > 0;
    if (ok)
        read_again(r, &back);
    if (ok && db)
        ok = source_notes_store(&r->notes, &r->roster, db, r->pending.mem, err);
    pending_tidy(&r->pending);
    return ok;
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
    switch (station_take(st, came, clock_now_us(), r->pending.mem, b, &more)) {
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

static bool must_flush(const struct reader *r)
{
    return (r->pending.count && reader_is_done(r)) || pending_must_flush(&r->pending, clock_mono_ms());
}

bool reader_turn(struct reader *r, struct db *db, int64_t wait_ms, struct err *err)
{
    int64_t now_ms = clock_mono_ms(), end_ms = now_ms + wait_ms;
    for (; now_ms < end_ms && !reader_is_done(r); now_ms = clock_mono_ms()) {
        ask_due(r);
        int64_t until_ms = r->pending.stuck ? end_ms : lanes_next_ms(&r->lanes, end_ms);
        if (r->pending.count && r->pending.due_ms < until_ms)
            until_ms = r->pending.due_ms;
        struct fetched came;
        if (fetch_wait(r->fetch, until_ms > now_ms ? until_ms - now_ms : 0, &came))
            take(r, &came);
        if (must_flush(r) && !reader_flush(r, db, err))
            return false;
    }
    return !db || !r->notes.failures || reader_flush(r, db, err);
}

bool reader_is_done(const struct reader *r)
{
    return r->mode != READ_FOR_EVER && r->roster.mem && r->finished == r->roster.count;
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
    return r->pending.count;
}

const struct totals *reader_totals(const struct reader *r)
{
    return &r->totals;
}

const struct roster *reader_roster(const struct reader *r)
{
    return &r->roster;
}
