/*
 * The journal into blocks: readings of closed hours become packed blocks per fan and hour, those of closed
 * days packed blocks per fan and day with a summary row.
 *
 * The journal has two parts. Collectors write into the open one; the sealer works through the closed one by
 * ranges of fans (seal_part.h, seal_scatter.h), empties it when it has come to its end, and then lets the two
 * change places. Every step is one transaction that writes the blocks and moves the place up to which the
 * part counts as sealed: wherever it is broken off, each reading counts in exactly one place. Late readings
 * are merged into the blocks they belong to. Two sealers exclude each other.
 */
#ifndef COLLECTOR_SEAL_H
#define COLLECTOR_SEAL_H

#include "db.h"

/* An hour or a day is closed when it has been over for so long. */
#define SEAL_GRACE_US (5 * 60 * US_PER_S)
/* Journal rows that are older are folded though their hour is not closed. */
#define SEAL_LATEST_US (2 * US_PER_HOUR)

struct seal_report {
    int64_t steps, readings, fan_days;
    int64_t unpacked; /* readings of the journal and of what was scattered that were unpacked */
    bool was_busy;    /* another process seals: nothing more was done */
    bool was_held;    /* a part of the journal is still read or written to: the rest waits for another time */
};

/* Seals everything that is due at now_us. */
MUST_USE bool seal(struct db *db, int64_t now_us, struct seal_report *out, struct err *err);
/* One step of at most about max_readings. *more false: nothing was due, partitions of tomorrow are there, and
 * those that sealing has emptied were dropped. */
MUST_USE bool seal_step(struct db *db, int64_t now_us, int64_t max_readings, struct seal_report *out,
                        bool *more, struct err *err);

#endif
