/*
 * Readings of one site brought together to be packed anew: sorted by fan and time, and cut into the units
 * that become blocks. Pure.
 */
#ifndef COLLECTOR_PILE_H
#define COLLECTOR_PILE_H

#include "block.h"

struct piled {
    struct reading reading;
    int64_t received_us;
};

struct pile {
    struct arena *mem;
    struct piled *all;
    size_t count, capacity;
    int64_t open_from_us; /* the beginning of the first UTC day that is not closed */
};

/* A block to be: readings of one fan in one closed day, or in one hour of an open day. */
struct unit {
    uint32_t fan_no;
    int64_t starts_us;
    bool is_day;
    int64_t received_us; /* the newest receipt among its readings */
    const struct piled *readings;
    size_t count;
};

/* Unpacks a block onto the pile. */
MUST_USE bool pile_block(struct pile *p, const uint8_t *block, size_t bytes, int64_t received_us,
                         struct err *err);
/* By fan, time and receipt; what is alike in all keeps its order. */
void pile_sort(struct pile *p);
/* The units of a sorted pile, one by one; *at begins at 0. False: there are no more. */
bool pile_unit(const struct pile *p, size_t *at, struct unit *u);

#endif
