/*
 * Numbers and texts to bytes and back, little end first. Reading never passes the end: it fails once and for
 * all, and what is read after that is 0 and NULL.
 */
#ifndef COLLECTOR_WIRE_H
#define COLLECTOR_WIRE_H

#include "base/arena.h"

#include <stdint.h>

struct wire_writer {
    struct arena *mem;
    uint8_t *bytes;
    size_t size, room;
};
void wire_put_u64(struct wire_writer *w, uint64_t v);                       /* varint */
void wire_put_i64(struct wire_writer *w, int64_t v);                        /* zigzag varint */
void wire_put_text(struct wire_writer *w, const char *s);                   /* NULL stays NULL */
void wire_put_bytes(struct wire_writer *w, const void *bytes, size_t size); /* as they are */

struct wire_reader {
    struct arena *mem;
    const uint8_t *at, *end;
    bool failed;
};
uint64_t wire_u64(struct wire_reader *r);
int64_t wire_i64(struct wire_reader *r);
const char *wire_text(struct wire_reader *r);
/* A count of things that take at least min_bytes each: fails when they cannot be there. */
size_t wire_count(struct wire_reader *r, size_t min_bytes);

#endif
