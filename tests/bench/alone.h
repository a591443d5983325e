/*
 * The parts of collecting, each alone: what the whole is compared with. CPU seconds of this process.
 */
#ifndef BENCH_ALONE_H
#define BENCH_ALONE_H

#include "ground.h"
#include "mock.h"

/* Of polling one page of so many observations with fetch, and throwing it away. */
double alone_poll_s(const struct mock *m, char format, uint32_t observations, size_t in_flight);
/* Of decoding such a page. */
double alone_decode_s(const struct mock *m, char format, uint32_t observations);
/* Of storing one reading in batches of 10,000, without the server's share. */
double alone_store_s(struct ground *g);

#endif
