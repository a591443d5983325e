#include "roster.h"

#include <stdlib.h>
#include <string.h>

void roster_release(struct roster *r)
{
    for (size_t k = 0; k < r->count; k++)
        station_free(r->stations[k]);
    free(r->stations);
    arena_free(r->positions);
    arena_free(r->mem);
}

static int by_key(const void *left, const void *right)
{
    const struct source *a = left, *b = right;
    return strcmp(a->source, b->source);
}

/* Both lists are in order of the key. */
static struct station **merge(const struct roster *r, const struct bindings *fresh)
{
    struct station **merged = calloc(fresh->count + 1, sizeof(struct station *));
    if (!merged)
        err_no_memory();
    size_t old = 0;
    for (size_t k = 0; k < fresh->count; k++) {
        const struct source *s = &fresh->sources[k];
        for (; old < r->count && strcmp(r->stations[old]->key, s->source) < 0; old++)
            r->stations[old]->gone = true;
        if (old < r->count && strcmp(r->stations[old]->key, s->source) == 0) {
            merged[k] = r->stations[old++];
            merged[k]->is_new = false;
            station_register(merged[k], s);
        } else {
            merged[k] = station_new(s);
            merged[k]->is_new = true;
        }
    }
    for (; old < r->count; old++)
        r->stations[old]->gone = true;
    return merged;
}

void roster_follow(struct roster *r, struct bindings *fresh, struct arena *mem)
{
    if (fresh->count)
        qsort(fresh->sources, fresh->count, sizeof *fresh->sources, by_key);
    struct station **merged = merge(r, fresh);
    free(r->stations);
    arena_free(r->mem);
    arena_free(r->positions);
    *r = (struct roster){.stations = merged, .count = fresh->count, .sources = fresh->sources, .mem = mem};
}

void roster_has_positions(struct roster *r, struct arena *positions)
{
    arena_free(r->positions);
    r->positions = positions;
    for (size_t k = 0; k < r->count; k++) {
        const struct station *st = r->stations[k];
        r->sources[k].buffer_size = st->poll.buffer_size;
        r->sources[k].last_contact_us = st->poll.last_contact_us;
        r->sources[k].failures = st->failures;
    }
}

size_t roster_count_read(const struct roster *r)
{
    size_t n = 0;
    for (size_t k = 0; k < r->count; k++)
        n += r->stations[k]->has_read && !r->stations[k]->failures;
    return n;
}

size_t roster_count_failing(const struct roster *r)
{
    size_t n = 0;
    for (size_t k = 0; k < r->count; k++)
        n += r->stations[k]->failures > 0;
    return n;
}

void roster_failures(const struct roster *r, void (*tell)(void *context, const char *source, const char *why),
                     void *context)
{
    for (size_t k = 0; k < r->count; k++) {
        const struct station *st = r->stations[k];
        if (st->failures && st->why[0])
            tell(context, st->key, st->why);
    }
}
