/*
 * The HTTP side: every source below a path of its own on one loopback port, and the controls.
 */
#ifndef FLEET_SERVE_H
#define FLEET_SERVE_H

#include "record.h"

struct serving {
    uint16_t port;    /* 0: a free one */
    int64_t until_ms; /* shown at first */
    bool live;
    bool wall_clock; /* live time is the wall clock's, not the end's plus what has passed */
};

/* Writes the files with the port's address, prints "ready URL", answers until SIGTERM or SIGINT. */
void serve(struct world *w, const struct serving *how, const char *dir);

#endif
