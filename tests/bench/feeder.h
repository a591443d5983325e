/*
 * Readings into the database on the collector's own road: as answers of sources, each with a step of its
 * cursor, many of them in one transaction.
 */
#ifndef BENCH_FEEDER_H
#define BENCH_FEEDER_H

#include "ground.h"

enum { FEEDER_SOURCES = 1000, FEEDER_ANSWER = 100, FEEDER_BATCH = 10000 };

struct feeder {
    struct db *db;
    struct arena *mem;
    size_t answers; /* until now; the sources take turns */
    char names[FEEDER_SOURCES][8];
    uint64_t sequences[FEEDER_SOURCES];
};

/* Makes site s and its sources. */
void feeder_init(struct feeder *f, struct ground *g);
/* One transaction: at most FEEDER_BATCH readings in the order of their receipt, 100 of each source. */
void feeder_store(struct feeder *f, struct reading *readings, size_t count);

#endif
