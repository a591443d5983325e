#include "reader.h"

#include "base/clock.h"
#include "reader_parts.h"

static const size_t COPY_BYTES = (size_t)8 * 1024 * 1024 * 1024, POSITION_BYTES = (size_t)1024 * 1024 * 1024;

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

static void keep_copy(struct reader *r)
{
    const struct bindings all = {r->roster.sources, r->roster.count};
    register_copy_keep(r->copy, &all, clock_mono_ms());
}

/* How far the sources of the register that we have are stored. */
static bool read_positions(struct reader *r, struct db *db, struct err *err)
{
    struct arena *mem = arena_new(POSITION_BYTES);
    if (!positions_load(db, r->roster.sources, r->roster.count, mem, err)) {
        arena_free(mem);
        return false;
    }
    roster_has_positions(&r->roster, mem);
    for (size_t k = 0; r->lost && k < r->roster.count; k++)
        stand(r, r->roster.stations[k]);
    return true;
}

static void are_found(struct reader *r)
{
    r->has_conditions |= r->lost; /* stored, but perhaps not worked out */
    r->lost = false;
}

/* The register is the one that we have. */
static bool go_on_by_register(struct reader *r, struct db *db, struct err *err)
{
    bool keeps_copy = r->copy && register_copy_is_due(r->copy, clock_mono_ms());
    if ((r->lost || keeps_copy) && !read_positions(r, db, err))
        return false;
    are_found(r);
    if (keeps_copy)
        keep_copy(r);
    return true;
}

/* What waits to be stored speaks of the register that we have. */
static bool take_register(struct reader *r, struct db *db, struct err *err)
{
    if (!reader_flush(r, db, err))
        return false;
    if (pending_count(&r->pending)) /* stuck */
        return true;
    if (!make_fetch(r, r->look.bindings.count, err))
        return false;
    struct bindings fresh;
    struct arena *mem = register_look_take(&r->look, &fresh);
    follow(r, &fresh, mem);
    are_found(r);
    if (r->copy)
        keep_copy(r);
    return true;
}

static bool read_register(struct reader *r, struct db *db, struct err *err)
{
    if (!register_look_is_on(&r->look) && !register_look_begin(&r->look, db, err))
        return false;
    if (!register_look_is_on(&r->look))
        return go_on_by_register(r, db, err);
    bool whole;
    do {
        if (!register_look_step(&r->look, db, &whole, err))
            return false;
    } while (!whole && r->lost); /* no source can be read yet */
    return !whole || take_register(r, db, err);
}

bool reader_register(struct reader *r, struct db *db, struct err *err)
{
    bool ok = read_register(r, db, err);
    if (!ok)
        register_look_drop(&r->look);
    return ok;
}

bool reader_is_at_register(const struct reader *r)
{
    return register_look_is_on(&r->look);
}

void reader_forget_version(struct reader *r)
{
    r->look.version = 0;
}

bool reader_register_from_copy(struct reader *r, struct err *err)
{
    struct arena *mem = arena_new(COPY_BYTES);
    struct bindings kept;
    if (!register_copy_read(r->copy, mem, &kept, err) || !make_fetch(r, kept.count, err)) {
        arena_free(mem);
        return false;
    }
    follow(r, &kept, mem);
    return true;
}
