/* A source to be read in tests. */
#ifndef TEST_SMALL_AGENT_H
#define TEST_SMALL_AGENT_H

#include "observation.h"

/*
 * A small source that keeps to the standard's rules: observations 1 to 'last' of two items, of which the
 * newest 'size' are held; 'step' at a time at most.
 */
struct agent {
    const char *instance;
    uint64_t last, size, most;
    bool clips;        /* answers a 'from' that is gone with what it has, instead of an error */
    bool strict;       /* answers 'from' = last + 1 with OUT_OF_RANGE */
    bool error_header; /* errors carry the instance */
    bool test_data;
};

/* Answers live in this arena. */
void agents_use(struct arena *mem);

struct document *agent_header(const struct agent *a);
struct document *agent_error(const struct agent *a, enum source_error code);
struct document *agent_current(const struct agent *a);
struct document *agent_sample(const struct agent *a, uint64_t from, bool has_from, uint64_t count);
struct document *agent_serve(const struct agent *a, const char *url);

#endif
