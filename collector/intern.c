#include "intern.h"

#include <string.h>

enum {
    FIRST_CAPACITY = 64,
    PROBES = 16 /* then a copy of its own: texts made to collide cost memory, not time */
};

void intern_init(struct intern *t, struct arena *mem)
{
    *t = (struct intern){.mem = mem,
                         .slots = arena_array(mem, struct intern_slot, FIRST_CAPACITY),
                         .capacity = FIRST_CAPACITY};
}

/* Eight bytes at a time: rotate, add, multiply by an odd constant (2^64 over the golden ratio). */
static uint64_t hash_of(const char *bytes, size_t length)
{
    uint64_t h = length;
    while (length) {
        uint64_t word = 0;
        size_t n = length < sizeof word ? length : sizeof word;
        memcpy(&word, bytes, n);
        h = ((h << 5 | h >> 59) ^ word) * UINT64_C(0x9e3779b97f4a7c15);
        bytes += n;
        length -= n;
    }
    return h ^ h >> 32;
}

/* Where the text is or may be put; NULL when its neighbourhood is full. */
static struct intern_slot *slot_for(struct intern_slot *slots, size_t capacity, uint64_t hash,
                                    const char *bytes, size_t length)
{
    for (size_t k = 0; k < PROBES; k++) {
        struct intern_slot *s = &slots[(hash + k) & (capacity - 1)];
        if (!s->text || (s->hash == hash && s->length == length && memcmp(s->text, bytes, length) == 0))
            return s;
    }
    return NULL;
}

static void widen(struct intern *t)
{
    size_t capacity = t->capacity * 2;
    struct intern_slot *slots = arena_array(t->mem, struct intern_slot, capacity);
    for (size_t k = 0; k < t->capacity; k++) {
        const struct intern_slot *old = &t->slots[k];
        struct intern_slot *s =
            old->text ? slot_for(slots, capacity, old->hash, old->text, old->length) : NULL;
        if (s)
            *s = *old;
    }
    t->slots = slots;
    t->capacity = capacity;
}

const char *intern_text(struct intern *t, const char *bytes, size_t length)
{
    if (t->used * 2 >= t->capacity)
        widen(t);
    uint64_t hash = hash_of(bytes, length);
    struct intern_slot *s = slot_for(t->slots, t->capacity, hash, bytes, length);
    if (s && s->text)
        return s->text;
    const char *text = arena_strndup(t->mem, bytes, length);
    if (s) {
        *s = (struct intern_slot){.hash = hash, .text = text, .length = length};
        t->used++;
    }
    return text;
}
