#include "gather.h"

#include <string.h>

enum { DIGIT_BITS = 8, DIGITS = 1 << DIGIT_BITS };

struct key {
    uint64_t sequence; /* less the lowest one */
    size_t index;
};

void gather_init(struct gather *g, struct document *out, struct arena *mem, size_t expected)
{
    *g = (struct gather){.out = out, .mem = mem, .capacity = expected};
    intern_init(&g->texts, mem);
    out->observations = arena_array(mem, struct observation, expected);
}

struct observation *gather_next(struct gather *g)
{
    struct document *d = g->out;
    if (d->count == g->capacity) {
        g->capacity = g->capacity ? 2 * g->capacity : 16;
        d->observations = arena_grow(g->mem, d->observations, d->count, g->capacity, sizeof *d->observations);
    }
    return &d->observations[d->count];
}

void gather_keep(struct gather *g)
{
    g->out->count++;
}

bool gather_has_room(const struct gather *g, struct err *err)
{
    return g->out->count < GATHER_MAX_OBSERVATIONS ||
           err_set(err, ERR_INPUT, "it holds more than %d observations", GATHER_MAX_OBSERVATIONS);
}

void gather_refuse(struct gather *g, uint64_t sequence, const char *item, const char *reason)
{
    struct document *d = g->out;
    if (d->refused == GATHER_MAX_REFUSALS) {
        g->uncounted++;
        return;
    }
    if (d->refused == g->refusal_capacity) {
        g->refusal_capacity = g->refusal_capacity ? 2 * g->refusal_capacity : 16;
        d->refusals = arena_grow(g->mem, d->refusals, d->refused, g->refusal_capacity, sizeof *d->refusals);
    }
    d->refusals[d->refused++] = (struct refusal){.sequence = sequence, .item = item, .reason = reason};
}

bool gather_moment(const char *text, int64_t *at_us, bool *no_zone)
{
    return strlen(text) > strlen("2026-11-25") && time_parse(text, at_us, no_zone);
}

static bool in_order(const struct document *d)
{
    for (size_t k = 1; k < d->count; k++)
        if (d->observations[k - 1].sequence >= d->observations[k].sequence)
            return false;
    return true;
}

static struct key *keys_of(const struct document *d, struct arena *mem, uint64_t *spread)
{
    uint64_t low = UINT64_MAX, high = 0;
    for (size_t k = 0; k < d->count; k++) {
        uint64_t s = d->observations[k].sequence;
        low = s < low ? s : low;
        high = s > high ? s : high;
    }
    struct key *keys = arena_array(mem, struct key, d->count);
    for (size_t k = 0; k < d->count; k++)
        keys[k] = (struct key){.sequence = d->observations[k].sequence - low, .index = k};
    *spread = high - low;
    return keys;
}

/*
 * Stable, by one digit after the other from the lowest. The sequences of an answer lie close together, so
 * this takes two or three rounds; qsort took as long as all the rest of the decoding.
 */
static struct key *sort_keys(struct key *keys, size_t count, uint64_t spread, struct arena *mem)
{
    struct key *other = arena_array(mem, struct key, count);
    for (unsigned shift = 0; shift < 64 && spread >> shift; shift += DIGIT_BITS) {
        size_t start[DIGITS + 1] = {0};
        for (size_t k = 0; k < count; k++)
            start[(keys[k].sequence >> shift) % DIGITS + 1]++;
        for (size_t k = 1; k < DIGITS; k++)
            start[k] += start[k - 1];
        for (size_t k = 0; k < count; k++)
            other[start[(keys[k].sequence >> shift) % DIGITS]++] = keys[k];
        struct key *swap = keys;
        keys = other;
        other = swap;
    }
    return keys;
}

/* Moves every observation to its place, cycle by cycle. */
static void arrange(struct observation *o, struct key *keys, size_t count)
{
    for (size_t first = 0; first < count; first++) {
        struct observation kept = o[first];
        size_t here = first;
        for (size_t next = keys[here].index; next != first; next = keys[here].index) {
            o[here] = o[next];
            keys[here].index = here;
            here = next;
        }
        o[here] = kept;
        keys[here].index = here;
    }
}

static bool same_text(const char *a, const char *b)
{
    return a == b || (a && b && strcmp(a, b) == 0);
}

static bool is_repeat(const struct observation *a, const struct observation *b)
{
    return a->at_us == b->at_us && a->category == b->category && a->state == b->state &&
           same_text(a->device, b->device) && same_text(a->device_name, b->device_name) &&
           same_text(a->item, b->item) && same_text(a->type, b->type) &&
           same_text(a->sub_type, b->sub_type) && same_text(a->statistic, b->statistic) &&
           same_text(a->value, b->value) && same_text(a->native_code, b->native_code) &&
           same_text(a->native_severity, b->native_severity) && same_text(a->qualifier, b->qualifier) &&
           same_text(a->condition_id, b->condition_id);
}

/* With an exact repeat nothing is lost, so there is nothing to tell. */
static void drop_repeats(struct gather *g)
{
    struct document *d = g->out;
    size_t kept = 0;
    for (size_t k = 0; k < d->count; k++) {
        const struct observation *o = &d->observations[k];
        const struct observation *before = kept ? &d->observations[kept - 1] : NULL;
        if (!before || before->sequence != o->sequence)
            d->observations[kept++] = *o;
        else if (!is_repeat(before, o))
            gather_refuse(g, o->sequence, o->item, "its sequence stands in the answer already");
    }
    d->count = kept;
}

void gather_finish(struct gather *g)
{
    struct document *d = g->out;
    if (!in_order(d)) {
        uint64_t spread;
        struct key *keys = keys_of(d, g->mem, &spread);
        arrange(d->observations, sort_keys(keys, d->count, spread, g->mem), d->count);
        drop_repeats(g);
    }
    if (g->uncounted) {
        d->refusals = arena_grow(g->mem, d->refusals, d->refused, d->refused + 1, sizeof *d->refusals);
        d->refusals[d->refused++] = (struct refusal){
            .item = "", .reason = arena_printf(g->mem, "%zu more observations refused", g->uncounted)};
    }
}
