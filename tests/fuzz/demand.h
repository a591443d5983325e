/* A promise that a target holds its module to. */
#ifndef TESTS_DEMAND_H
#define TESTS_DEMAND_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void demand(bool holds, const char *promise)
{
    if (!holds) {
        fprintf(stderr, "broken promise: %s\n", promise);
        abort();
    }
}

#endif
