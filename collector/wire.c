#include "wire.h"

#include <string.h>

static uint8_t *room_for(struct wire_writer *w, size_t more)
{
    if (w->size + more > w->room) {
        size_t room = w->room ? w->room * 2 : 256;
        while (room < w->size + more)
            room *= 2;
        w->bytes = arena_grow(w->mem, w->bytes, w->size, room, 1);
        w->room = room;
    }
    return w->bytes + w->size;
}

void wire_put_u64(struct wire_writer *w, uint64_t v)
{
    uint8_t *p = room_for(w, 10);
    for (; v >= 0x80; v >>= 7)
        *p++ = (uint8_t)(v | 0x80);
    *p++ = (uint8_t)v;
    w->size = (size_t)(p - w->bytes);
}

void wire_put_i64(struct wire_writer *w, int64_t v)
{
    wire_put_u64(w, ((uint64_t)v << 1) ^ (uint64_t)(v >> 63));
}

void wire_put_text(struct wire_writer *w, const char *s)
{
    size_t n = s ? strlen(s) : 0;
    wire_put_u64(w, s ? n + 1 : 0);
    wire_put_bytes(w, s, n);
}

void wire_put_bytes(struct wire_writer *w, const void *bytes, size_t size)
{
    if (!size)
        return;
    memcpy(room_for(w, size), bytes, size);
    w->size += size;
}

uint64_t wire_u64(struct wire_reader *r)
{
    uint64_t v = 0;
    for (int shift = 0; shift < 64; shift += 7) {
        if (r->failed || r->at == r->end)
            break;
        uint8_t byte = *r->at++;
        v |= (uint64_t)(byte & 0x7f) << shift;
        if (!(byte & 0x80))
            return v;
    }
    r->failed = true;
    return 0;
}

int64_t wire_i64(struct wire_reader *r)
{
    uint64_t v = wire_u64(r);
    return (int64_t)(v >> 1) ^ -(int64_t)(v & 1);
}

const char *wire_text(struct wire_reader *r)
{
    uint64_t n = wire_u64(r);
    if (r->failed || n == 0)
        return NULL;
    n--;
    if (n > (uint64_t)(r->end - r->at) || memchr(r->at, '\0', n)) {
        r->failed = true;
        return NULL;
    }
    const char *text = arena_strndup(r->mem, (const char *)r->at, n);
    r->at += n;
    return text;
}

size_t wire_count(struct wire_reader *r, size_t min_bytes)
{
    uint64_t n = wire_u64(r);
    if (r->failed || n > (uint64_t)(r->end - r->at) / min_bytes) {
        r->failed = true;
        return 0;
    }
    return (size_t)n;
}
