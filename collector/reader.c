#include "reader.h"

#include "base/clock.h"
#include "base/log.h"
#include "columns.h"
#include "drain.h"
#include "load.h"
#include "queries.h"
#include "schedule.h"
#include "station.h"

#include <stdlib.h>
#include <string.h>

enum {
    FLUSH_MS = 1000,
    FLUSH_STATES_MS = 150, /* a warning lasts a minute only */
    FLUSH_READINGS = 10000,
    FLUSH_BATCHES = 4096,
    STUCK_MS = 1000,       /* until the spool is tried again */
    TRIES = 3,             /* in a run that ends */
    LONG_ANSWER_MS = 1000, /* makes a source doubtful */
    SLOW_ROOM = 4,         /* so many times the places are there when answers take long */
};
static const size_t REGISTER_BYTES = (size_t)8 * 1024 * 1024 * 1024;
static const size_t BATCH_BYTES = (size_t)2 * 1024 * 1024 * 1024;

struct reader {
    enum reader_mode mode;
    size_t most_in_flight;
    struct bindings bindings;
    struct arena *register_mem;
    struct station **stations; /* in order of their keys */
    size_t count, finished;
    struct schedule *due[LANES];
    size_t under_way[LANES];
    int64_t looked_ms; /* for long answers */
    struct fetch *fetch;
    struct arena *mem; /* of what is waiting to be stored */
    struct batch *batches;
    struct station **owners; /* of each batch */
    size_t waiting, waiting_readings;
    int64_t flush_due_ms; /* while something waits */
    bool failures_waiting, certificates_waiting, checks_waiting;
    bool lost; /* the stations stand where nothing is stored */
    bool has_conditions;
    struct drain drain; /* with the spool; NULL: none */
    bool stuck;         /* neither the database nor the spool takes what is waiting: nothing more is asked */
    struct reader_totals totals;
};

bool reader_new(struct reader **out, enum reader_mode mode, size_t in_flight, struct err *err)
{
    struct reader *r = calloc(1, sizeof *r);
    if (!r)
        return err_set(err, ERR_SYSTEM, "out of memory");
    *out = r;
    r->mode = mode;
    r->most_in_flight = in_flight;
    for (int lane = 0; lane < LANES; lane++)
        r->due[lane] = schedule_new();
    r->mem = arena_new(BATCH_BYTES);
    /* When stuck, the answers under way come on top of a full house. */
    r->batches = calloc(FLUSH_BATCHES + SLOW_ROOM * in_flight, sizeof *r->batches);
    r->owners = calloc(FLUSH_BATCHES + SLOW_ROOM * in_flight, sizeof(struct station *));
    r->lost = true;
    r->totals.last_success_us = TIME_UNKNOWN;
    if (!r->batches || !r->owners)
        return err_set(err, ERR_SYSTEM, "out of memory");
    return true;
}

void reader_free(struct reader *r)
{
    if (!r)
        return;
    fetch_free(r->fetch);
    for (int lane = 0; lane < LANES; lane++) {
        for (struct station *st; (st = schedule_take(r->due[lane], INT64_MAX));)
            if (st->gone)
                station_free(st);
        schedule_free(r->due[lane]);
    }
    for (size_t k = 0; k < r->count; k++)
        station_free(r->stations[k]);
    free(r->stations);
    arena_free(r->register_mem);
    arena_free(r->mem);
    free(r->batches);
    free(r->owners);
    free(r);
}

static void put(struct reader *r, struct station *st, int64_t due_ms)
{
    st->lane = st->failures ? LANE_DOUBTFUL : LANE_SOUND;
    schedule_put(r->due[st->lane], due_ms, st);
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
        put(r, st, now_ms);
    else if (r->mode == READ_FOR_EVER)
        put(r, st, schedule_next_ms(st->key, st->source->period_ms, now_ms));
    else
        finish(r, st);
}

static void put_after_failure(struct reader *r, struct station *st)
{
    r->failures_waiting = true;
    if (r->mode != READ_FOR_EVER && st->failures >= TRIES)
        finish(r, st);
    else
        put(r, st, schedule_retry_ms(st->key, st->failures, clock_mono_ms()));
}

/* The register: old stations go on, new ones begin, those that are gone end when they come home. */

static bool make_fetch(struct reader *r, size_t targets, struct err *err)
{
    if (r->fetch)
        return true;
    struct fetch_limits limits = fetch_usual_limits;
    limits.targets = targets;
    return fetch_new(&r->fetch, &limits, err);
}

/* Where reading goes on: behind what is spooled, else where it is stored. */
static void stand(const struct reader *r, struct station *st)
{
    struct cursor at;
    bool is_spooled = r->drain.spool && spool_end(r->drain.spool, st->key, &at);
    station_stand(st, is_spooled ? &at : &st->source->cursor);
}

static void take_over(struct reader *r, struct station *st, const struct source *s)
{
    station_register(st, s);
    if (r->lost)
        stand(r, st);
}

static void begin(struct reader *r, struct station *st)
{
    int64_t now_ms = clock_mono_ms();
    if (r->mode == READ_FOR_EVER) {
        put(r, st, schedule_next_ms(st->key, st->source->period_ms, now_ms));
    } else {
        st->failures = 0;
        put(r, st, now_ms);
    }
}

/* Both lists are in order of the key. */
static void merge_stations(struct reader *r, const struct bindings *b)
{
    struct station **merged = calloc(b->count + 1, sizeof(struct station *));
    if (!merged)
        err_no_memory();
    size_t old = 0;
    for (size_t k = 0; k < b->count; k++) {
        const struct source *s = &b->sources[k];
        for (; old < r->count && strcmp(r->stations[old]->key, s->source) < 0; old++)
            r->stations[old]->gone = true;
        if (old < r->count && strcmp(r->stations[old]->key, s->source) == 0) {
            merged[k] = r->stations[old++];
            take_over(r, merged[k], s);
        } else {
            merged[k] = station_new(s);
            stand(r, merged[k]);
            begin(r, merged[k]);
        }
    }
    for (; old < r->count; old++)
        r->stations[old]->gone = true;
    free(r->stations);
    r->stations = merged;
    r->count = b->count;
}

static int by_key(const void *left, const void *right)
{
    const struct source *a = left, *b = right;
    return strcmp(a->source, b->source);
}

bool reader_register(struct reader *r, struct db *db, struct err *err)
{
    if (!reader_flush(r, db, err))
        return false;
    if (r->waiting) /* stuck: they speak of the register that we have */
        return true;
    struct arena *mem = arena_new(REGISTER_BYTES);
    struct bindings fresh;
    if (!bindings_load(db, mem, &fresh, err) || !make_fetch(r, fresh.count, err)) {
        arena_free(mem);
        return false;
    }
    if (fresh.count)
        qsort(fresh.sources, fresh.count, sizeof *fresh.sources, by_key);
    merge_stations(r, &fresh);
    arena_free(r->register_mem);
    r->register_mem = mem;
    r->bindings = fresh;
    r->has_conditions |= r->lost; /* stored, but perhaps not worked out */
    r->lost = false;
    return true;
}

void reader_lose(struct reader *r)
{
    arena_reset(r->mem);
    r->waiting = r->waiting_readings = 0;
    r->lost = true;
}

/* Storing. */

static void count_stored(struct reader *r, const struct batch *b)
{
    r->totals.observations += (int64_t)b->observations;
    r->totals.readings += (int64_t)b->reading_count;
    r->totals.conditions += (int64_t)b->condition_count;
    r->totals.events += (int64_t)b->event_count;
    r->totals.gaps += (int64_t)b->gap_count;
    r->totals.set_aside += (int64_t)b->set_aside_count;
    r->has_conditions |= b->condition_count > 0;
}

/* Sources whose batches were not stored go back to where they are stored. */
static bool stand_again(struct reader *r, struct db *db, const struct load_result *results, struct err *err)
{
    const struct source **sources = arena_array(r->mem, const struct source *, r->waiting);
    struct station **stations = arena_array(r->mem, struct station *, r->waiting);
    size_t n = 0;
    for (size_t k = 0; k < r->waiting; k++) {
        bool is_known = results[k].fate == LOAD_STORED;
        for (size_t before = 0; before < n && !is_known; before++)
            is_known = stations[before] == r->owners[k];
        if (is_known)
            continue;
        stations[n] = r->owners[k];
        sources[n++] = r->owners[k]->source;
        const char *why = results[k].why ? results[k].why : "another collector reads it too";
        station_failed(r->owners[k], FAILURE_NOT_STORED, why, clock_now_us());
        r->totals.failures[FAILURE_NOT_STORED]++;
        r->totals.stale_batches += results[k].fate == LOAD_STALE;
        r->failures_waiting = true;
    }
    struct cursor *cursors = arena_array(r->mem, struct cursor, n);
    if (!n)
        return true;
    if (!cursors_load(db, sources, n, r->mem, cursors, err))
        return false;
    for (size_t k = 0; k < n; k++) {
        station_stand(stations[k], &cursors[k]);
        if (stations[k]->finished && stations[k]->failures < TRIES) {
            stations[k]->finished = false;
            r->finished--;
            put(r, stations[k], schedule_retry_ms(stations[k]->key, stations[k]->failures, clock_mono_ms()));
        }
    }
    return true;
}

static bool note_failures(struct reader *r, struct db *db, struct err *err)
{
    struct columns *c = columns_new(r->mem, 5);
    for (size_t k = 0; k < r->count; k++) {
        struct station *st = r->stations[k];
        if (!st->failure_is_new)
            continue;
        st->failure_is_new = false;
        const struct db_value cells[] = {db_text(st->source->site), db_text(st->key), db_int(st->failures),
                                         db_moment(st->failed_us), db_text(st->why)};
        columns_add(c, cells);
    }
    r->failures_waiting = false;
    return columns_exec(c, db, &q_cursor_failed, NULL, err);
}

static bool note_certificates(struct reader *r, struct db *db, struct err *err)
{
    struct columns *c = columns_new(r->mem, 3);
    for (size_t k = 0; k < r->count; k++) {
        struct station *st = r->stations[k];
        if (!st->certificate_is_new)
            continue;
        st->certificate_is_new = false;
        const struct db_value cells[] = {db_text(st->source->site), db_text(st->key),
                                         db_moment(st->certificate_end_us)};
        columns_add(c, cells);
    }
    r->certificates_waiting = false;
    return columns_exec(c, db, &q_cursor_certificate, NULL, err);
}

static void add_checks(struct columns *c, const struct source *s)
{
    for (size_t k = 0; k < s->slot_count; k++) {
        const struct item_binding *b = s->slots[k];
        if (!b || !b->check || !b->check->is_new)
            continue;
        const struct db_value cells[] = {
            db_text(s->site),        db_text(s->source),       db_text(b->device),        db_text(b->item),
            db_text(b->check->type), db_text(b->check->units), db_text(b->check->stopped)};
        columns_add(c, cells);
    }
}

static void checks_are_noted(struct station *st)
{
    st->checks_are_new = false;
    for (size_t k = 0; k < st->source->slot_count; k++) {
        const struct item_binding *b = st->source->slots[k];
        if (b && b->check)
            b->check->is_new = false;
    }
}

/* What the models of sources say of the items that are bound. */
static bool note_checks(struct reader *r, struct db *db, struct err *err)
{
    struct columns *c = columns_new(r->mem, 7);
    for (size_t k = 0; k < r->count; k++) {
        if (r->stations[k]->checks_are_new)
            add_checks(c, r->stations[k]->source);
    }
    if (!columns_exec(c, db, &q_bound_item_store, NULL, err))
        return false;
    for (size_t k = 0; k < r->count; k++) {
        if (r->stations[k]->checks_are_new)
            checks_are_noted(r->stations[k]);
    }
    r->checks_waiting = false;
    return true;
}

static bool store(struct reader *r, struct db *db, struct err *err)
{
    struct load_result *results = arena_array(r->mem, struct load_result, r->waiting);
    int64_t began_ms = clock_mono_ms();
    if (!load_batches(db, r->batches, r->waiting, r->mem, results, err))
        return false;
    histogram_add(&r->totals.commits, (double)(clock_mono_ms() - began_ms) / 1000);
    for (size_t k = 0; k < r->waiting; k++) {
        if (results[k].fate != LOAD_STORED)
            continue;
        count_stored(r, &r->batches[k]);
        r->totals.set_aside += (int64_t)results[k].set_aside;
        r->totals.last_success_us = clock_now_us();
        station_answered(r->owners[k]);
    }
    return stand_again(r, db, results, err);
}

void reader_use_spool(struct reader *r, struct spool *spool)
{
    r->drain = (struct drain){.spool = spool};
}

static void count_drained(void *context, const struct batch *b)
{
    count_stored(context, b);
}

bool reader_drain(struct reader *r, struct db *db, struct err *err)
{
    bool states;
    bool ok = drain_turn(&r->drain, db, count_drained, r, &states, err);
    r->has_conditions |= states;
    return ok;
}

static void nothing_waits(struct reader *r)
{
    if (r->stuck)
        log_info("spool.takes", "batches=%zu", r->waiting);
    r->stuck = false;
    r->waiting = r->waiting_readings = 0;
}

/* What waits goes to the spool, or goes on waiting. */
static void keep(struct reader *r)
{
    struct err why = {0};
    if (spool_append(r->drain.spool, r->batches, r->waiting, &why)) {
        for (size_t k = 0; k < r->waiting; k++)
            station_answered(r->owners[k]);
        nothing_waits(r);
        return;
    }
    if (!r->stuck)
        log_error("spool.refuses", "batches=%zu why='%s'", r->waiting, why.text);
    r->stuck = true;
    r->flush_due_ms = clock_mono_ms() + STUCK_MS;
}

static bool flush_batches(struct reader *r, struct db *db, struct err *err)
{
    if (!r->waiting)
        return true;
    if (r->drain.spool && (!db || !spool_empty(r->drain.spool))) {
        keep(r);
        return true;
    }
    bool ok = store(r, db, err);
    if (!ok && r->drain.spool) /* it may be stored all the same: the chain of cursors will tell */
        keep(r);
    else
        nothing_waits(r);
    return ok;
}

bool reader_flush(struct reader *r, struct db *db, struct err *err)
{
    bool ok = flush_batches(r, db, err) && (!db || !r->failures_waiting || note_failures(r, db, err)) &&
              (!db || !r->certificates_waiting || note_certificates(r, db, err)) &&
              (!db || !r->checks_waiting || note_checks(r, db, err));
    if (!r->waiting)
        arena_reset(r->mem);
    return ok;
}

/* Asking and taking. */

static bool has_place(const struct reader *r, enum lane lane)
{
    size_t all = r->under_way[LANE_SOUND] + r->under_way[LANE_DOUBTFUL];
    if (lane == LANE_DOUBTFUL)
        return r->under_way[lane] < (r->most_in_flight + 1) / 2 && all < r->most_in_flight;
    return r->under_way[lane] < r->most_in_flight && all < SLOW_ROOM * r->most_in_flight;
}

/* Answers that take long give their places among the sound ones free. */
static void doubt_long_answers(struct reader *r, int64_t now_ms)
{
    if (now_ms - r->looked_ms < LONG_ANSWER_MS / 4)
        return;
    r->looked_ms = now_ms;
    for (size_t k = 0; k < r->count; k++) {
        struct station *st = r->stations[k];
        if (!st->in_flight || st->lane != LANE_SOUND || now_ms - st->asked_ms < LONG_ANSWER_MS)
            continue;
        st->lane = LANE_DOUBTFUL;
        r->under_way[LANE_SOUND]--;
        r->under_way[LANE_DOUBTFUL]++;
    }
}

static void ask(struct reader *r, struct station *st)
{
    st->asked_ms = clock_mono_ms();
    r->under_way[st->lane]++;
    station_ask(st, r->fetch);
}

static void ask_due(struct reader *r)
{
    if (r->stuck)
        return;
    doubt_long_answers(r, clock_mono_ms());
    for (int lane = 0; lane < LANES; lane++) {
        while (has_place(r, (enum lane)lane)) {
            struct station *st = schedule_take(r->due[lane], clock_mono_ms());
            if (!st)
                break;
            if (st->gone)
                station_free(st);
            else
                ask(r, st);
        }
    }
}

/* When the next source can be asked, as far as a place is free for it now. */
static int64_t next_ask_ms(const struct reader *r, int64_t at_latest_ms)
{
    for (int lane = 0; lane < LANES; lane++) {
        int64_t due_ms = schedule_due_ms(r->due[lane]);
        if (due_ms < at_latest_ms && has_place(r, (enum lane)lane))
            at_latest_ms = due_ms;
    }
    return at_latest_ms;
}

/* Batches are gathered for a second; state changes are not kept waiting. */
static void plan_flush(struct reader *r, const struct batch *b)
{
    int64_t due_ms = clock_mono_ms() + (b->condition_count ? FLUSH_STATES_MS : FLUSH_MS);
    if (!r->stuck && (!r->waiting || due_ms < r->flush_due_ms))
        r->flush_due_ms = due_ms;
}

static void take(struct reader *r, const struct fetched *came)
{
    struct station *st = came->tag;
    st->in_flight = false;
    r->totals.polls++;
    r->under_way[st->lane]--;
    if (st->gone) {
        station_free(st);
        return;
    }
    if (st->discard) {
        st->discard = false;
        poll_restart(&st->poll);
        put(r, st, clock_mono_ms());
        return;
    }
    r->certificates_waiting |= came->certificate_end_us != TIME_UNKNOWN;
    bool more = false;
    struct batch *b = &r->batches[r->waiting];
    switch (station_take(st, came, clock_now_us(), r->mem, b, &more)) {
    case POLL_GO_ON: /* at once: it holds the documents of its first answers */
        r->checks_waiting |= st->checks_are_new;
        ask(r, st);
        break;
    case POLL_FAILED:
        r->totals.failures[st->failure]++;
        put_after_failure(r, st);
        break;
    case POLL_COMPLETE:
        plan_flush(r, b);
        r->owners[r->waiting++] = st;
        r->waiting_readings += b->reading_count;
        put_next(r, st, more);
        break;
    }
}

static bool must_flush(const struct reader *r)
{
    if (r->waiting && reader_is_done(r))
        return true;
    bool is_full = r->waiting_readings >= FLUSH_READINGS || r->waiting >= FLUSH_BATCHES;
    return r->waiting && ((is_full && !r->stuck) || clock_mono_ms() >= r->flush_due_ms);
}

bool reader_turn(struct reader *r, struct db *db, int64_t wait_ms, struct err *err)
{
    int64_t now_ms = clock_mono_ms(), end_ms = now_ms + wait_ms;
    for (; now_ms < end_ms && !reader_is_done(r); now_ms = clock_mono_ms()) {
        ask_due(r);
        int64_t until_ms = r->stuck ? end_ms : next_ask_ms(r, end_ms);
        if (r->waiting && r->flush_due_ms < until_ms)
            until_ms = r->flush_due_ms;
        struct fetched came;
        if (fetch_wait(r->fetch, until_ms > now_ms ? until_ms - now_ms : 0, &came))
            take(r, &came);
        if (must_flush(r) && !reader_flush(r, db, err))
            return false;
    }
    return !db || !r->failures_waiting || reader_flush(r, db, err);
}

bool reader_is_done(const struct reader *r)
{
    return r->mode != READ_FOR_EVER && r->register_mem && r->finished == r->count;
}

bool reader_has_conditions(struct reader *r)
{
    bool has = r->has_conditions;
    r->has_conditions = false;
    return has;
}

size_t reader_waiting(const struct reader *r)
{
    return r->waiting;
}

const struct reader_totals *reader_totals(const struct reader *r)
{
    return &r->totals;
}

size_t reader_sources(const struct reader *r)
{
    return r->count;
}

size_t reader_sources_read(const struct reader *r)
{
    size_t n = 0;
    for (size_t k = 0; k < r->count; k++)
        n += r->stations[k]->has_read && !r->stations[k]->failures;
    return n;
}

size_t reader_sources_failing(const struct reader *r)
{
    size_t n = 0;
    for (size_t k = 0; k < r->count; k++)
        n += r->stations[k]->failures > 0;
    return n;
}

void reader_failures(const struct reader *r, void (*tell)(void *context, const char *source, const char *why),
                     void *context)
{
    for (size_t k = 0; k < r->count; k++) {
        const struct station *st = r->stations[k];
        if (st->failures && st->why[0])
            tell(context, st->key, st->why);
    }
}
