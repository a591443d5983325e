/*
 * After the end of the history the fleet goes on in real time: readings every few seconds, and faults on
 * demand. All functions lock the world themselves.
 */
#ifndef FLEET_LIVE_H
#define FLEET_LIVE_H

#include "record.h"

struct live;

struct live *live_new(struct world *w, bool wall_clock);
void live_begin(struct live *l); /* once; a second call does nothing */
void live_free(struct live *l);  /* ends it */
bool live_runs(const struct live *l);
/* Makes a fan of the drive slow down. False when it is not live or the drive has a fault already. */
bool live_fault(struct live *l, int drive);
bool live_clear(struct live *l, int drive);

#endif
