/*
 * Readings of one site brought together to be packed anew: sorted by fan and time, and cut into the units
 * that become blocks. Pure.
 */
#ifndef COLLECTOR_PILE_H
#define COLLECTOR_PILE_H

#include "base/clock.h"
#include "block.h"

#define PILE_LATEST_US (100000 * US_PER_DAY) /* 2243: readings lie before */

/* Where readings came from: a journal row (journal_no from 1 on) or a block (0). */
struct origin {
    int64_t journal_no, received_us;
};

struct piled {
    struct reading reading;
    uint32_t origin;
};

struct pile {
    struct piled *all, *room; /* room: as many, to sort into; NULL: not yet needed */
    size_t count, capacity;
    struct origin *origins;
    size_t origin_count, origin_capacity;
    int64_t
        open_from_us; /* readings from here on become blocks of an hour, those before blocks of a UTC day */
};

/* A block to be: readings of one fan in one day, or in one hour. */
struct unit {
    uint32_t fan_no;
    int64_t starts_us;
    bool is_day;
    int64_t received_us; /* the newest receipt among its readings */
    const struct piled *readings;
    size_t count;
};

void pile_free(struct pile *p); /* what it holds */
/* A new origin for the readings that are added next. */
void pile_from(struct pile *p, int64_t journal_no, int64_t received_us);
void pile_add(struct pile *p, const struct reading *r);
/* Unpacks a block onto the pile, as an origin of its own; mem is needed until it returns. */
MUST_USE bool pile_block(struct pile *p, const uint8_t *block, size_t bytes, int64_t received_us,
                         struct arena *mem, struct err *err);
/* By fan; each fan's in the order in which they were added. */
void pile_sort_by_fan(struct pile *p);
/* By origin; each origin's in the order in which they lay. */
void pile_sort_by_origin(struct pile *p);
/* By fan, time and arrival: blocks, then the journal in its order. So readings of one moment always come in
 * the same order, however they were sealed. */
void pile_sort(struct pile *p);
/* The units of a sorted pile, one by one; *at begins at 0. False: there are no more. */
bool pile_unit(const struct pile *p, size_t *at, struct unit *u);

#endif
