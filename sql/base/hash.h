/*
 * Numbers that stand for texts, the same in every run: FNV-1a with 64 bits (Fowler, Noll and Vo).
 */
#ifndef BASE_HASH_H
#define BASE_HASH_H

#include <stddef.h>
#include <stdint.h>

#define HASH_BEGIN UINT64_C(14695981039346656037)

/* Goes on from 'hash' (HASH_BEGIN, or what the bytes before came to). */
static inline uint64_t hash_bytes(uint64_t hash, const void *bytes, size_t size)
{
    const unsigned char *p = bytes;
    for (size_t k = 0; k < size; k++)
        hash = (hash ^ p[k]) * UINT64_C(1099511628211);
    return hash;
}

static inline uint64_t hash_text(uint64_t hash, const char *text)
{
    for (const char *p = text; *p; p++)
        hash = hash_bytes(hash, p, 1);
    return hash;
}

#endif
