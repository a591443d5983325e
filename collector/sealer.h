/*
 * Sealing beside a run without end: a process of its own, started when an hour or a day is closed, so that a
 * long step keeps no source waiting.
 *
 * It has its own connection, to the primary that the run knows, and ends when it has sealed what was due. One
 * that fails or is killed is started again, less and less often; whatever ends it, its open transaction is
 * undone. It dies with the run.
 */
#ifndef COLLECTOR_SEALER_H
#define COLLECTOR_SEALER_H

#include "primary.h"
#include "seal_partitions.h"

#include <sys/types.h>

struct sealer {
    pid_t pid;               /* 0: none is at work */
    int64_t due_us, next_us; /* the next one; the one after that */
    int64_t due_ms, wait_ms; /* after a failure: when to try again, and how long that was */
};

/* Never waits: looks after the one at work, or starts one that is due. */
void sealer_turn(struct sealer *s, const struct primary *known, const struct seal_keep *keep);
/* Ends the one at work. */
void sealer_stop(struct sealer *s);

#endif
