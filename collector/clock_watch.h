/*
 * Has the wall clock been set? Pure: both clocks come in as arguments.
 */
#ifndef COLLECTOR_CLOCK_WATCH_H
#define COLLECTOR_CLOCK_WATCH_H

#include <stdbool.h>
#include <stdint.h>

/* Smaller steps, and the steady correction by a time service, are nothing to tell. */
enum { CLOCK_STEP_MS = 1000 };

struct clock_watch {
    bool has_begun;
    int64_t ahead_ms; /* the wall clock minus the monotonic one, when last seen */
};

/* By how many milliseconds the wall clock has jumped since the last call; 0: it has not. */
int64_t clock_watch_step(struct clock_watch *w, int64_t wall_us, int64_t mono_ms);

#endif
