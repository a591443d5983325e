/*
 * A column of 64-bit numbers packed into bytes, for block.c.
 *
 * The first number is stored as it is; each later one as its residual, what is left after a prediction: the
 * first number, the number before, or a regular grid from the first one on. Residuals become offsets from a
 * base in as few bits as pay off; the few that need more bits stand in a list behind. A column that does not
 * change costs its first number only.
 */
#ifndef SQL_COLUMN_H
#define SQL_COLUMN_H

#include "base/err.h"
#include "buffer.h"

#include <stddef.h>
#include <stdint.h>

/* Bytes still to be read. */
struct byte_view {
    const uint8_t *next;
    size_t left;
};

/* A number in 7-bit groups, the lowest first; returns the end. At most VARINT_BYTES. */
enum { VARINT_BYTES = 10 };
uint8_t *varint_put(uint8_t *out, uint64_t v);
MUST_USE bool varint_get(struct byte_view *in, uint64_t *v);

/* Appends count numbers, at least one, to a buffer. scratch has room for as many. */
void column_encode(const int64_t *values, size_t count, int64_t *scratch, struct buffer *out);
/* Reads count numbers, at least one, and moves past them. False for damaged bytes. */
MUST_USE bool column_decode(struct byte_view *in, int64_t *values, size_t count);

#endif
