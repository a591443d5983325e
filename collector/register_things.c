#include "register_things.h"

#include "base/clock.h"
#include "base/hash.h"
#include "base/nearest.h"

#include <string.h>

enum { FIRST_CAPACITY = 64 };

void things_init(struct things *t, struct arena *mem)
{
    *t = (struct things){
        .mem = mem, .slots = arena_array(mem, struct thing *, FIRST_CAPACITY), .capacity = FIRST_CAPACITY};
}

static struct thing **slot_for(struct thing **slots, size_t capacity, const char *key)
{
    size_t k = hash_text(HASH_BEGIN, key) & (capacity - 1);
    while (slots[k] && strcmp(slots[k]->key, key) != 0)
        k = (k + 1) & (capacity - 1);
    return &slots[k];
}

struct thing *things_find(const struct things *t, const char *key)
{
    return *slot_for(t->slots, t->capacity, key);
}

static void widen(struct things *t)
{
    size_t capacity = t->capacity * 2;
    struct thing **slots = arena_array(t->mem, struct thing *, capacity);
    for (size_t k = 0; k < t->capacity; k++)
        if (t->slots[k])
            *slot_for(slots, capacity, t->slots[k]->key) = t->slots[k];
    t->slots = slots;
    t->capacity = capacity;
}

struct thing *things_put(struct things *t, const char *key)
{
    if (t->used >= t->capacity / 2)
        widen(t);
    struct thing **slot = slot_for(t->slots, t->capacity, key);
    if (!*slot) {
        *slot = arena_alloc(t->mem, sizeof **slot);
        **slot = (struct thing){.key = key, .number = -1, .replaced_us = TIME_UNKNOWN};
        t->used++;
    }
    return *slot;
}

const char *things_nearest(const struct things *t, const char *key)
{
    struct nearest near = nearest_to(key);
    for (size_t k = 0; k < t->capacity; k++)
        if (t->slots[k])
            nearest_try(&near, t->slots[k]->key);
    return near.best;
}
