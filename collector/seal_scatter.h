/*
 * The readings of a site written anew by ranges of fans, each about what a step of sealing may hold: so every
 * reading is unpacked twice, and not once in every step.
 *
 * What is written is a copy. Where it is lost, or another sealer came between, it is made again.
 */
#ifndef COLLECTOR_SEAL_SCATTER_H
#define COLLECTOR_SEAL_SCATTER_H

#include "seal_part.h"

struct scatter {
    struct seal_place from, place; /* place: that is reached when all is written */
    struct seal_rows rows;         /* of the journal */
    int shift;                     /* a range has 1 << shift fans */
    size_t ranges;
    int64_t end_fan;    /* the first fan that is not scattered */
    struct pile *piles; /* readings of each range that are not written yet */
    struct arena *mem;  /* of what is packed */
    struct packed_range *packed;
    size_t packed_count, packed_room;
    int64_t row_no, earliest_us, latest_us;
};

/* *needed is false, and there is nothing to release, where a step can hold all readings of the site. */
MUST_USE bool seal_scatter_begin(struct scatter *s, struct db *db, int part, const struct seal_place *from,
                                 struct seal_due due, int64_t max_readings, bool *needed, struct err *err);
void seal_scatter_end(struct scatter *s);
/* Reads some of the journal; *more is false when that was the last. */
MUST_USE bool seal_scatter_read(struct scatter *s, bool *more, struct err *err);
/* In the caller's transaction: writes what is ready to be. */
MUST_USE bool seal_scatter_write(struct scatter *s, struct err *err);

#endif
