#include "register_look.h"

#include "base/clock.h"

enum { FIRST_AT_A_TIME = 64, MOST_AT_A_TIME = 1024, SHORT_MS = 20, LONG_MS = 40 };
static const size_t REGISTER_BYTES = (size_t)8 * 1024 * 1024 * 1024;

void register_look_drop(struct register_look *l)
{
    arena_free(l->mem);
    l->mem = NULL;
}

bool register_look_is_on(const struct register_look *l)
{
    return l->mem != NULL;
}

static bool begin_at(struct register_look *l, int64_t version, struct db *db, struct err *err)
{
    register_look_drop(l);
    l->mem = arena_new(REGISTER_BYTES);
    l->coming = version;
    l->done = 0;
    l->at_a_time = FIRST_AT_A_TIME;
    return sources_load(db, l->mem, &l->bindings, err);
}

bool register_look_begin(struct register_look *l, struct db *db, struct err *err)
{
    int64_t version;
    if (!register_version_load(db, &version, err))
        return false;
    return version == l->version || begin_at(l, version, db, err);
}

/* Parts that take long make the loop late, and short ones take many turns. */
static void judge_part(struct register_look *l, int64_t took_ms)
{
    if (took_ms > LONG_MS && l->at_a_time > 1)
        l->at_a_time /= 2;
    else if (took_ms < SHORT_MS && l->at_a_time < MOST_AT_A_TIME)
        l->at_a_time *= 2;
}

static bool read_part(struct register_look *l, struct db *db, struct err *err)
{
    int64_t began_ms = clock_mono_ms();
    size_t left = l->bindings.count - l->done, count = left < l->at_a_time ? left : l->at_a_time;
    if (!items_load(db, l->mem, l->bindings.sources + l->done, count, err))
        return false;
    l->done += count;
    judge_part(l, clock_mono_ms() - began_ms);
    return true;
}

/* What was changed meanwhile may stand in some parts and not in others: then all is read once more. */
bool register_look_step(struct register_look *l, struct db *db, bool *whole, struct err *err)
{
    int64_t version;
    *whole = false;
    if (l->done < l->bindings.count && !read_part(l, db, err))
        return false;
    if (l->done < l->bindings.count)
        return true;
    if (!register_version_load(db, &version, err))
        return false;
    *whole = version == l->coming;
    return *whole || begin_at(l, version, db, err);
}

struct arena *register_look_take(struct register_look *l, struct bindings *out)
{
    struct arena *mem = l->mem;
    *out = l->bindings;
    l->version = l->coming;
    l->mem = NULL;
    return mem;
}
