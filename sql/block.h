/*
 * Readings packed into bytes: the payload of journal rows, hour blocks and day blocks.
 *
 * A block is self-contained and columnar: fan numbers, moments and speeds each as a base, a step and a bit
 * width, so a column that does not change costs nothing. The same format serves a journal row of many fans
 * and a day of one fan. Exact: microseconds and thousandths of a rev/min come back as they went in, in the
 * order they went in.
 */
#ifndef SQL_BLOCK_H
#define SQL_BLOCK_H

#include "base/arena.h"

#include <stdint.h>

#define RPM_UNAVAILABLE INT32_MIN /* the equipment said: no value from here on */

struct reading {
    uint32_t fan_no; /* unique within the site */
    int32_t milli_rpm;
    int64_t at_us;
};

enum { BLOCK_MAX_READINGS = 1000000 };

/* Packs into mem. count is 1 to BLOCK_MAX_READINGS. */
const uint8_t *block_encode(const struct reading *readings, size_t count, struct arena *mem, size_t *bytes);
/* Never reads past bytes, whatever they hold; damaged blocks are ERR_INPUT. */
MUST_USE bool block_decode(const uint8_t *block, size_t bytes, struct arena *mem, struct reading **readings,
                           size_t *count, struct err *err);

#endif
