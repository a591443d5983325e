/*
 * A port of the loopback interface where a text is to be had by HTTP: GET /metrics. It is served from the
 * main loop, never waits, and takes few callers at a time; who is slow is left after a few seconds.
 */
#ifndef COLLECTOR_METRICS_PORT_H
#define COLLECTOR_METRICS_PORT_H

#include "base/arena.h"
#include "base/err.h"

#include <stdint.h>

struct metrics_port;

/* The text, in mem. */
typedef const char *metrics_port_text_fn(void *context, struct arena *mem);

/* ERR_CONFIG when it cannot be had. */
MUST_USE bool metrics_port_open(struct metrics_port **p, int port, struct err *err);
void metrics_port_close(struct metrics_port *p); /* NULL is fine */
/* Takes new callers, reads and writes what can be read and written now. */
void metrics_port_turn(struct metrics_port *p, metrics_port_text_fn *text, void *context);
/* Somebody is being answered: turn again soon. */
bool metrics_port_busy(const struct metrics_port *p);

#endif
