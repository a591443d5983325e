/*
 * One copy of each text of a document: names repeat thousands of times in an answer.
 */
#ifndef COLLECTOR_INTERN_H
#define COLLECTOR_INTERN_H

#include "base/arena.h"

#include <stdint.h>

struct intern_slot {
    uint64_t hash;
    const char *text;
    size_t length;
};

struct intern {
    struct arena *mem;
    struct intern_slot *slots;
    size_t capacity, used;
};

void intern_init(struct intern *t, struct arena *mem);
/* The text with a NUL behind it, in the arena; the same pointer for the same bytes, but for rare crowding. */
const char *intern_text(struct intern *t, const char *bytes, size_t length);

#endif
