#include "drain.h"

#include "base/log.h"
#include "chain.h"
#include "columns.h"
#include "load_rows.h"
#include "queries.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

enum { STATES_AT_A_TIME = 512, BATCHES_AT_A_TIME = 512, READINGS_AT_A_TIME = 200000, MOST_STALE_TURNS = 20 };
static const size_t TURN_BYTES = (size_t)8 << 30;

/* State changes. */

static bool store_states(struct db *db, const struct batch *const *batches, size_t count, struct arena *mem,
                         struct err *err)
{
    static const enum row_kind kinds[] = {ROW_CONDITION, ROW_EVENT};
    if (!db_begin(db, err))
        return false;
    bool ok = true;
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds && ok; k++) {
        size_t n;
        struct row *rows = load_rows_of(kinds[k], batches, count, mem, &n);
        ok = load_rows_store(db, kinds[k], rows, n, mem, err);
    }
    ok = ok && db_commit(db, err);
    if (!ok)
        db_rollback(db);
    return ok;
}

/* What the database refuses comes again with its step, and is dealt with there. */
static bool store_states_stubbornly(struct db *db, const struct spooled *spooled, size_t count,
                                    struct arena *mem, struct err *err)
{
    const struct batch **batches = arena_array(mem, const struct batch *, count);
    for (size_t k = 0; k < count; k++)
        batches[k] = &spooled[k].batch;
    struct err why = {0};
    if (!count || store_states(db, batches, count, mem, &why))
        return true;
    for (size_t k = 0; k < count && why.kind == ERR_REJECTED; k++) {
        err_clear(&why);
        if (!store_states(db, &batches[k], 1, mem, &why) && why.kind != ERR_REJECTED)
            break;
        why.kind = ERR_REJECTED;
    }
    if (why.kind == ERR_REJECTED)
        return true;
    *err = why;
    return false;
}

/* The newest of a span of batches, a share at a time; *oldest is the oldest that was stored. */
static bool store_share(struct drain *d, struct db *db, uint64_t after, uint64_t before, struct arena *mem,
                        size_t *count, uint64_t *newest, uint64_t *oldest, struct err *err)
{
    struct spooled *spooled;
    if (!spool_newest_states(d->spool, after, before, STATES_AT_A_TIME, mem, &spooled, count, err) ||
        !store_states_stubbornly(db, spooled, *count, mem, err))
        return false;
    if (*count) {
        *newest = spooled[0].number;
        *oldest = spooled[*count - 1].number;
    }
    return true;
}

/* Those that came since the last turn; at first there is nothing to reach: one share, the rest goes down from
 * there. */
static bool drain_new_states(struct drain *d, struct db *db, struct arena *mem, bool *states, struct err *err)
{
    uint64_t top = 0, newest = 0, oldest = 0;
    size_t count;
    do {
        if (!store_share(d, db, d->states_to, oldest, mem, &count, &newest, &oldest, err))
            return false;
        top = top ? top : newest;
        *states = *states || count;
    } while (d->states_to && count == STATES_AT_A_TIME);
    if (!d->states_to) {
        d->states_from = oldest;
        d->has_states = count < STATES_AT_A_TIME;
    }
    d->states_to = top > d->states_to ? top : d->states_to;
    return true;
}

static bool drain_old_states(struct drain *d, struct db *db, struct arena *mem, bool *states, struct err *err)
{
    uint64_t newest;
    size_t count;
    if (!store_share(d, db, 0, d->states_from, mem, &count, &newest, &d->states_from, err))
        return false;
    *states = *states || count;
    d->has_states = count < STATES_AT_A_TIME;
    return true;
}

/* Batches. */

/* Those of a turn, by source; of one source in their order. */
struct share {
    const struct spooled *spooled;
    const struct batch **batches;
    size_t count;
};

static int by_source(const void *a, const void *b)
{
    const struct batch *const *x = a, *const *y = b;
    int order = strcmp((*x)->source, (*y)->source);
    return order ? order : (*x > *y) - (*x < *y); /* they stand in one array, in their order */
}

static size_t end_of_source(const struct share *share, size_t from)
{
    size_t to = from;
    while (to < share->count && strcmp(share->batches[to]->source, share->batches[from]->source) == 0)
        to++;
    return to;
}

static bool load_positions(struct db *db, const struct share *share, struct arena *mem, struct position *out,
                           struct err *err)
{
    enum { PLACE, INSTANCE, NEXT, CONTACT };
    struct columns *asked = columns_new(mem, 2);
    size_t n = 0;
    for (size_t k = 0; k < share->count; k = end_of_source(share, k)) {
        const struct db_value cells[] = {db_text(share->batches[k]->site),
                                         db_text(share->batches[k]->source)};
        columns_add(asked, cells);
        out[n++] = (struct position){{"", 0}, TIME_UNKNOWN};
    }
    struct rows *rows;
    if (!columns_query(asked, db, &q_cursor_list, &rows, err))
        return err_in(err, "cursors");
    for (size_t row = 0; row < rows_count(rows); row++)
        out[rows_int(rows, row, PLACE) - 1] = (struct position){
            {arena_strdup(mem, rows_text(rows, row, INSTANCE)), (uint64_t)rows_int(rows, row, NEXT)},
            rows_moment(rows, row, CONTACT)};
    rows_free(rows);
    return true;
}

static void say_report(const struct chain_report *report)
{
    if (report->bridged)
        log_warn("spool.bridged", "batches=%zu reason='records before them are missing'", report->bridged);
    if (report->without_readings)
        log_warn("spool.without_readings", "batches=%zu", report->without_readings);
    if (report->stored_already)
        log_info("spool.stored_already", "batches=%zu", report->stored_already);
}

struct sink {
    struct drain *drain;
    struct db *db;
    drain_stored_fn *stored;
    void *context;
    bool stale; /* some cursor moved away in the meantime */
};

/* Batches of one source that cannot be stored: for a person. */
static bool keep_in_file(struct sink *sink, const struct batch *batches, size_t count, const char *why,
                         struct err *err)
{
    char name[64];
    if (!spool_set_aside(sink->drain->spool, batches, count, name, err))
        return false;
    log_error("spool.set_aside", "source=%s batches=%zu file=%s why='%s'", batches[0].source, count, name,
              why);
    return true;
}

/* The place of a refused batch, with the reason. *kept is false when even that is refused. */
static bool keep_place(struct sink *sink, const struct batch *b, const char *why, struct arena *mem,
                       bool *kept, struct err *err)
{
    struct batch left = chain_refused(b, why, mem);
    struct load_result result;
    if (!load_batches(sink->db, &left, 1, mem, &result, err))
        return false;
    *kept = result.fate != LOAD_REFUSED;
    sink->stale |= result.fate == LOAD_STALE;
    if (result.fate == LOAD_STORED)
        sink->stored(sink->context, &left, &result.refused);
    return true;
}

/* The batches of one source, which were refused together: each for itself. Where not even the place of one
 * can be kept (the source is gone) those after it have no place either. */
static bool load_singly(struct sink *sink, const struct batch *batches, size_t count, struct arena *mem,
                        struct err *err)
{
    for (size_t k = 0; k < count && !sink->stale; k++) {
        struct load_result result;
        if (!load_batches(sink->db, &batches[k], 1, mem, &result, err))
            return false;
        sink->stale |= result.fate == LOAD_STALE;
        if (result.fate == LOAD_STORED)
            sink->stored(sink->context, &batches[k], &result.refused);
        if (result.fate != LOAD_REFUSED)
            continue;
        bool kept;
        if (!keep_place(sink, &batches[k], result.why, mem, &kept, err) ||
            !keep_in_file(sink, &batches[k], kept ? 1 : count - k, result.why, err))
            return false;
        if (!kept)
            break;
    }
    return true;
}

static bool store_steps(struct sink *sink, const struct batch *steps, size_t count, struct arena *mem,
                        struct err *err)
{
    struct load_result *results = arena_array(mem, struct load_result, count);
    if (!load_batches(sink->db, steps, count, mem, results, err))
        return false;
    for (size_t k = 0; k < count;) {
        size_t end = k;
        while (end < count && strcmp(steps[end].source, steps[k].source) == 0)
            end++;
        if (results[k].fate == LOAD_REFUSED && !load_singly(sink, steps + k, end - k, mem, err))
            return false;
        for (; k < end; k++) {
            sink->stale |= results[k].fate == LOAD_STALE;
            if (results[k].fate == LOAD_STORED)
                sink->stored(sink->context, &steps[k], &results[k].refused);
        }
    }
    return true;
}

static struct share share_of(const struct spooled *spooled, size_t count, struct arena *mem)
{
    struct share share = {spooled, arena_array(mem, const struct batch *, count), count};
    for (size_t k = 0; k < count; k++)
        share.batches[k] = &spooled[k].batch;
    qsort(share.batches, count, sizeof(struct batch *), by_source);
    return share;
}

/* The cursors of these sources never stand still. */
static bool give_up(struct sink *sink, const struct batch *steps, size_t count, struct err *err)
{
    for (size_t k = 0; k < count;) {
        size_t end = k;
        while (end < count && strcmp(steps[end].source, steps[k].source) == 0)
            end++;
        if (!keep_in_file(sink, steps + k, end - k, "the cursor of the source moves away each time", err))
            return false;
        k = end;
    }
    return true;
}

static bool drain_batches(struct sink *sink, struct arena *mem, struct err *err)
{
    struct drain *d = sink->drain;
    struct spooled *spooled;
    size_t count, n = 0, source = 0;
    if (!spool_oldest(d->spool, BATCHES_AT_A_TIME, READINGS_AT_A_TIME, mem, &spooled, &count, err) || !count)
        return err->kind == ERR_NONE;
    struct share share = share_of(spooled, count, mem);
    struct position *positions = arena_array(mem, struct position, count);
    struct batch *steps = arena_array(mem, struct batch, count);
    struct chain_report report = {0};
    if (!load_positions(sink->db, &share, mem, positions, err))
        return false;
    for (size_t from = 0, to; from < count; from = to) {
        to = end_of_source(&share, from);
        n += chain_steps(&positions[source++], share.batches + from, to - from, mem, steps + n, &report);
    }
    if (d->stale_turns >= MOST_STALE_TURNS) {
        if (!give_up(sink, steps, n, err))
            return false;
    } else if (!store_steps(sink, steps, n, mem, err)) {
        return false;
    }
    d->stale_turns = sink->stale ? d->stale_turns + 1 : 0;
    if (sink->stale)
        return true; /* once more, from where the cursors stand then */
    say_report(&report);
    spool_done(d->spool, spooled[count - 1].number);
    return true;
}

bool drain_turn(struct drain *d, struct db *db, drain_stored_fn *stored, void *context, bool *states,
                struct err *err)
{
    struct sink sink = {.drain = d, .db = db, .stored = stored, .context = context};
    struct arena *mem = arena_new(TURN_BYTES);
    *states = false;
    bool ok = drain_new_states(d, db, mem, states, err);
    if (ok && !d->has_states)
        ok = drain_old_states(d, db, mem, states, err);
    else if (ok)
        ok = drain_batches(&sink, mem, err);
    arena_free(mem);
    if (spool_empty(d->spool))
        *d = (struct drain){.spool = d->spool};
    return ok;
}
