/*
 * Readings packed together with the journal rows that they come from, as the sealer scatters them. Pure.
 */
#ifndef COLLECTOR_PARCEL_H
#define COLLECTOR_PARCEL_H

#include "pile.h"

struct parcel {
    struct reading *readings; /* in the order in which they were added, so origin by origin */
    struct origin *origins;
    int64_t *counts; /* how many readings each origin has here */
    size_t count, origin_count;
};

/* Packs a pile that was not sorted, into mem. */
const uint8_t *parcel_encode(const struct pile *p, struct arena *mem, size_t *bytes);
/* Never reads past bytes, whatever they hold; damaged ones are ERR_INPUT. */
MUST_USE bool parcel_decode(const uint8_t *bytes, size_t size, struct arena *mem, struct parcel *out,
                            struct err *err);

#endif
