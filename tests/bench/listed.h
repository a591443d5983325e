/*
 * A register for the benchmarks: a mock fleet's sources with their fans, or fans with a past of daily
 * summaries.
 */
#ifndef BENCH_LISTED_H
#define BENCH_LISTED_H

#include "ground.h"
#include "mock.h"

/* The sources of a mock, dealt out to sites, asked every period_s. */
void listed_sources(struct ground *g, const struct mock *m, char format, int sites, int period_s);
/* Fans in drives of two, 1000 a site, each with a summary for each of so many days up to 2026-03-01. */
void listed_history(struct ground *g, int fans, int days);

#endif
