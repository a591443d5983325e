/*
 * Readings on a pile into blocks and summaries, merged with those that the database holds already.
 */
#ifndef COLLECTOR_SEAL_BLOCKS_H
#define COLLECTOR_SEAL_BLOCKS_H

#include "columns.h"
#include "db.h"
#include "pile.h"

/* A block that could not be unpacked, and was set aside. */
struct lost_block {
    int64_t fan_no;
    int32_t day;
};

/* What a step brings together: readings of one site, and the blocks that they become. */
struct sealing {
    struct db *db;
    struct arena *mem, *scratch; /* for the step; for one block */
    const char *site;
    int32_t raw_from;        /* raw readings of days before were dropped; DAY_UNKNOWN: none were */
    struct pile pile;        /* readings that come first; those of blocks are added */
    struct columns *keys[2]; /* (fan, start) of the blocks of hours [0] and days [1] */
    int64_t first_us[2], last_us[2];
    uint32_t lowest_fan, highest_fan;
    struct lost_block *lost;
    size_t lost_count, lost_room;
};

/* open_from_us: readings from here on become hour blocks. */
void seal_blocks_init(struct sealing *s, struct db *db, struct arena *mem, const char *site,
                      int64_t open_from_us);
void seal_blocks_release(struct sealing *s);
/* A block that will be written. */
void seal_blocks_key(struct sealing *s, bool is_day, uint32_t fan_no, int64_t starts_us);
/* All that the pile makes. Sorts it. */
void seal_blocks_keys_of_pile(struct sealing *s);
/* In the caller's transaction: takes the blocks of the keys out of the database, and writes them anew with
 * the pile; days with their summaries. */
MUST_USE bool seal_blocks_write(struct sealing *s, int64_t *fan_days, struct err *err);

#endif
