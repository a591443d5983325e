/*
 * How often observations were set aside, by kind: the reason without the values in it.
 */
#ifndef COLLECTOR_REFUSALS_H
#define COLLECTOR_REFUSALS_H

#include <stddef.h>
#include <stdint.h>

enum { REFUSAL_KINDS = 16, REFUSAL_TEXT = 100 };

/* Kinds beyond the room for them are counted as the last one, "other". */
struct refusals {
    struct {
        char kind[REFUSAL_TEXT];
        int64_t count;
    } kinds[REFUSAL_KINDS];
    size_t count;
};

/* "'fast' is not a speed" and "17 is not a speed" are both "... is not a speed". */
void refusals_add(struct refusals *r, const char *reason, int64_t count);

#endif
