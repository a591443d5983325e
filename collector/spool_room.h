/*
 * Inside the spool only: room on the disk, and what goes first when it runs out: the reserve, then the oldest
 * readings by the segment, never steps.
 */
#ifndef COLLECTOR_SPOOL_ROOM_H
#define COLLECTOR_SPOOL_ROOM_H

#include "spool_index.h"

/* Fits segments and reserve to the size of the disk. */
void room_fit(struct spool *s);
/* Drops readings, the oldest first, until so many bytes fit. False: they cannot. */
bool room_make(struct spool *s, uint64_t bytes);
/* The disk is full: gives something back. False: there is nothing left to give. */
bool room_give(struct spool *s);
/* Sets room aside again, once nothing waits and the disk has enough of it. */
void room_keep_reserve(struct spool *s);

#endif
