/*
 * From spooled batches of one source to steps that follow the stored cursor, each exactly once. Pure.
 *
 * Usually the batches follow each other and the cursor, and go as they are. Those that were stored already
 * (a lost answer to COMMIT, a crash before the spool forgot them, another collector) are passed over. Where
 * something is missing between the cursor and a batch (a damaged record) the batch goes from the cursor on,
 * and a gap says what is missing. A batch that was stored in part (read twice after a start without the
 * database, or by another collector) gives what lies from the cursor on; where the sequences of its readings
 * are not known, a gap in their place.
 */
#ifndef COLLECTOR_CHAIN_H
#define COLLECTOR_CHAIN_H

#include "batch.h"

/* Where the database stands with a source. */
struct position {
    struct cursor cursor;
    int64_t contact_us; /* receipt of what was stored last; TIME_UNKNOWN: nothing yet */
};

struct chain_report {
    size_t stored_already, bridged, without_readings;
};

/*
 * Batches in the order in which they were read; readings NULL with reading_count > 0: they were lost. Steps
 * are written to out, which has room for count, and their number is returned: the first begins at the
 * position, each other one where the one before ends. report is added to.
 */
size_t chain_steps(const struct position *at, const struct batch *const *batches, size_t count,
                   struct arena *mem, struct batch *out, struct chain_report *report);

/* A step that stores nothing of a batch but the refusal itself, and says as a gap what is missing. */
struct batch chain_refused(const struct batch *b, const char *why, struct arena *mem);

#endif
