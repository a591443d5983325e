/*
 * Memory that is given back all at once: one arena a poll cycle, one a report.
 *
 * There is no freeing of single things. An arena has a limit; going past it, like running out of memory,
 * ends the program with a message (the spool is crash-safe and the service manager restarts).
 */
#ifndef BASE_ARENA_H
#define BASE_ARENA_H

#include "base/err.h"

#include <stddef.h>

struct arena;

struct arena *arena_new(size_t max_bytes);
void arena_free(struct arena *a); /* NULL is fine */
/* Gives everything back; the arena can be used again. */
void arena_reset(struct arena *a);
size_t arena_used(const struct arena *a);

/* Zeroed, aligned for any type; never NULL. */
void *arena_alloc(struct arena *a, size_t bytes);
/* As arena_alloc for count items of a size; refuses a product that overflows. */
void *arena_calloc(struct arena *a, size_t count, size_t size);
#define arena_array(a, type, count) ((type *)arena_calloc((a), (count), sizeof(type)))

/* A larger copy of an array of old_count items; for arrays that grow by doubling. */
void *arena_grow(struct arena *a, const void *old, size_t old_count, size_t new_count, size_t size);

char *arena_strdup(struct arena *a, const char *s); /* NULL gives NULL */
char *arena_strndup(struct arena *a, const char *s, size_t n);
char *arena_printf(struct arena *a, const char *fmt, ...) PRINTF_LIKE(2, 3);

#endif
