/*
 * What the sources of the mock fleet say. Each observation follows from source and sequence alone, so nothing
 * is stored, a source holds all it ever said, and what was read can be checked. Pure.
 *
 * A source has 'fans' fans; all of them report every period, in order, with up to 40 ms of jitter.
 */
#ifndef BENCH_PLANT_H
#define BENCH_PLANT_H

#include "buffer.h"

#include <stdbool.h>
#include <stdint.h>

enum { PLANT_JITTER_MS = 40 };

struct plant {
    uint32_t fans;     /* of each source */
    int64_t begins_us; /* when the first period begins */
    int64_t period_us;
};

struct spoken {
    uint32_t fan; /* from 0 */
    int64_t at_us;
    int32_t rpm;
};

struct spoken plant_says(const struct plant *p, uint32_t source, uint64_t sequence);
/* The sequence that a fan has with a stamp; 0: it never says that. */
uint64_t plant_sequence(const struct plant *p, uint32_t source, uint32_t fan, int64_t at_us);
/* The newest sequence at a moment; 0: none yet. */
uint64_t plant_newest(const struct plant *p, uint32_t source, int64_t now_us);

/* Which observations of which source a document has: first to last; none when last < first. */
struct plant_page {
    uint32_t source;
    uint64_t first, last, newest;
    int64_t now_us;
};
void plant_feed(const struct plant *p, const struct plant_page *page, struct buffer *out);
void plant_mtconnect(const struct plant *p, const struct plant_page *page, struct buffer *out);
/* The answer to /probe. */
void plant_feed_model(const struct plant *p, uint32_t source, struct buffer *out);
void plant_mtconnect_model(const struct plant *p, uint32_t source, struct buffer *out);

#endif
