/*
 * Readings of a simulated fleet, and their entropy: the fewest bits that any packing needs on average.
 *
 * The fans are asked one after the other in a fixed shuffled order, once a period, with up to 40 ms of
 * jitter in whole ms. A speed is a base of its own plus first-order autoregressive noise (standard deviation
 * about 9 rev/min) in whole rev/min. Pure.
 */
#ifndef BENCH_SIMULATION_H
#define BENCH_SIMULATION_H

#include "block.h"

enum { SIMULATION_STEPS = 512, SIMULATION_JITTER_MS = 40 };

struct simulation {
    uint32_t fans;
    int64_t begins_us, period_us;
    uint64_t dice;
    uint32_t *order; /* of the fans, from 1 */
    int32_t *base;
    double *noise; /* of each fan now */
    int64_t rounds;
    uint32_t at;
    uint64_t steps[SIMULATION_STEPS], jitters[SIMULATION_JITTER_MS]; /* how often each was drawn */
};

void simulation_init(struct simulation *s, uint32_t fans, int64_t begins_us, int64_t period_us);
void simulation_release(struct simulation *s);
struct reading simulation_next(struct simulation *s);
/* Of one reading, in bytes, from what was drawn until now: that of the speed given the one before, and that
 * of the jitter. */
double simulation_entropy_bytes(const struct simulation *s);

#endif
