#include "feeder.h"

#include "bench.h"
#include "load.h"

#include <stdio.h>

void feeder_init(struct feeder *f, struct ground *g)
{
    *f = (struct feeder){.db = g->db, .mem = arena_new((size_t)1 << 30)};
    ground_sources(g, FEEDER_SOURCES);
    for (size_t k = 0; k < FEEDER_SOURCES; k++) {
        snprintf(f->names[k], sizeof f->names[k], "%zu", k + 1);
        f->sequences[k] = 1;
    }
}

static struct batch answer(struct feeder *f, struct reading *readings, size_t count)
{
    size_t source = f->answers++ % FEEDER_SOURCES;
    uint64_t from = f->sequences[source], to = from + count;
    f->sequences[source] = to;
    return (struct batch){
        .site = "s",
        .source = f->names[source],
        .received_us = readings[count - 1].at_us,
        .from = {"1", from},
        .to = {"1", to},
        .buffer_size = 100000,
        .last_sequence = to - 1,
        .observations = count,
        .readings = readings,
        .reading_count = count,
    };
}

void feeder_store(struct feeder *f, struct reading *readings, size_t count)
{
    struct batch batches[FEEDER_BATCH / FEEDER_ANSWER];
    struct load_result results[FEEDER_BATCH / FEEDER_ANSWER];
    struct err err = {0};
    size_t n = 0;
    arena_reset(f->mem);
    for (size_t at = 0; at < count; at += FEEDER_ANSWER)
        batches[n++] = answer(f, readings + at, count - at < FEEDER_ANSWER ? count - at : FEEDER_ANSWER);
    bench_must(load_batches(f->db, batches, n, f->mem, results, &err), &err);
    for (size_t k = 0; k < n; k++)
        if (results[k].fate != LOAD_STORED)
            bench_fail("a batch was not stored");
}
