/*
 * Simulated hours and days, stored and then sealed, with what each pass took.
 */
#ifndef BENCH_SEALED_H
#define BENCH_SEALED_H

#include "feeder.h"
#include "simulation.h"

struct pass {
    double wall_s, cpu_s; /* CPU of this program and of the server's process for its session */
    double wal;           /* bytes */
};

struct sealed {
    struct ground *ground;
    struct feeder feeder;
    struct simulation simulation;
    int64_t period_us;
    size_t readings;              /* until now */
    struct pass store, hour, day; /* sums */
    void (*on_reading)(void *context, const struct reading *r);
    void *context; /* sees every reading, where not NULL */
};

/* begins_us: a midnight UTC. A new simulation in the same ground begins with another day. */
void sealed_init(struct sealed *s, struct ground *g, uint32_t fans, int64_t begins_us, int64_t period_us);
/* Stores the readings of the next hour, and seals it as soon as it is closed; the last one of a day brings
 * the day's blocks and summaries as well, and counts as the day's. */
void sealed_hour(struct sealed *s);
void sealed_release(struct sealed *s);

/* Fans 1 to N of site s, which is there: their numbers tell the sealer how to divide them. */
void sealed_register(struct ground *g, uint32_t fans);

#endif
