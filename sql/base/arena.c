#include "base/arena.h"

#include <malloc.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/*
 * Under ASan every allocation is a chunk of its own, so that an overflow by one byte is found
 * (a bump allocator hides it). The build profile sets ARENA_SEPARATE.
 */
#ifdef ARENA_SEPARATE
enum { CHUNK_BYTES = 1 };
#else
enum { CHUNK_BYTES = 64 * 1024 };
#endif

struct chunk {
    struct chunk *next;
    size_t size, used;
    max_align_t data[];
};

struct arena {
    struct chunk *chunks;
    size_t used, max_bytes;
};

static _Noreturn void out_of_memory(size_t bytes)
{
    fprintf(stderr, "out of memory: %zu more bytes are not to be had\n", bytes);
    exit(71);
}

/*
 * A poll cycle takes and frees some MiB each time. glibc would hand them back to the system and fault every
 * page in anew: up to two thirds of the time of decoding a large answer. So much stays with the process.
 */
static void keep_freed_memory(void)
{
    enum { KEPT_BYTES = 32 * 1024 * 1024 };
    static bool is_set;
    if (!is_set) {
        mallopt(M_MMAP_THRESHOLD, KEPT_BYTES);
        mallopt(M_TRIM_THRESHOLD, KEPT_BYTES);
    }
    is_set = true;
}

struct arena *arena_new(size_t max_bytes)
{
    keep_freed_memory();
    struct arena *a = calloc(1, sizeof *a);
    if (!a)
        out_of_memory(sizeof *a);
    a->max_bytes = max_bytes;
    return a;
}

void arena_reset(struct arena *a)
{
    while (a->chunks) {
        struct chunk *next = a->chunks->next;
        free(a->chunks);
        a->chunks = next;
    }
    a->used = 0;
}

void arena_free(struct arena *a)
{
    if (!a)
        return;
    arena_reset(a);
    free(a);
}

size_t arena_used(const struct arena *a)
{
    return a->used;
}

/* Chunks grow with what is in use: to zero 64 KiB took a twentieth of the time of decoding a small answer. */
static size_t chunk_size(const struct arena *a, size_t bytes)
{
    enum { FIRST_BYTES = 4 * 1024 };
    size_t size = a->used + FIRST_BYTES;
    size = size < CHUNK_BYTES ? size : CHUNK_BYTES;
    return bytes > size ? bytes : size;
}

static struct chunk *chunk_for(struct arena *a, size_t bytes)
{
    struct chunk *c = a->chunks;
    if (c && c->size - c->used >= bytes)
        return c;

    size_t size = chunk_size(a, bytes);
    c = calloc(1, sizeof *c + size);
    if (!c)
        out_of_memory(size);
    c->size = size;
    c->next = a->chunks;
    a->chunks = c;
    return c;
}

void *arena_alloc(struct arena *a, size_t bytes)
{
    size_t align = sizeof(max_align_t);
    if (bytes > SIZE_MAX - align)
        out_of_memory(bytes);
#ifndef ARENA_SEPARATE
    bytes = (bytes + align - 1) / align * align;
#endif
    if (bytes > a->max_bytes - a->used) {
        fprintf(stderr, "out of memory: a task needs more than its limit of %zu bytes\n", a->max_bytes);
        exit(71);
    }
    struct chunk *c = chunk_for(a, bytes);
    void *p = (char *)c->data + c->used;
    c->used += bytes;
    a->used += bytes;
    return p;
}

void *arena_calloc(struct arena *a, size_t count, size_t size)
{
    if (size && count > SIZE_MAX / size)
        out_of_memory(SIZE_MAX);
    return arena_alloc(a, count * size);
}

void *arena_grow(struct arena *a, const void *old, size_t old_count, size_t new_count, size_t size)
{
    void *p = arena_calloc(a, new_count, size);
    if (old_count)
        memcpy(p, old, old_count * size);
    return p;
}

char *arena_strndup(struct arena *a, const char *s, size_t n)
{
    char *p = arena_alloc(a, n + 1);
    memcpy(p, s, n);
    p[n] = '\0';
    return p;
}

char *arena_strdup(struct arena *a, const char *s)
{
    return s ? arena_strndup(a, s, strlen(s)) : NULL;
}

char *arena_printf(struct arena *a, const char *fmt, ...)
{
    va_list args, again;
    va_start(args, fmt);
    va_copy(again, args);
    int n = vsnprintf(NULL, 0, fmt, args);
    va_end(args);
    char *p = arena_alloc(a, (size_t)(n < 0 ? 0 : n) + 1);
    vsnprintf(p, (size_t)(n < 0 ? 0 : n) + 1, fmt, again);
    va_end(again);
    return p;
}
