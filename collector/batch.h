/*
 * What one answer of a source comes to, ready to be stored: a step of the source's cursor and all that it
 * covers.
 *
 * Storing a batch is one transaction that moves the cursor from 'from' to 'to' and fails as a whole when the
 * cursor is not at 'from': so nothing can be stored twice.
 */
#ifndef COLLECTOR_BATCH_H
#define COLLECTOR_BATCH_H

#include "block.h"
#include "observation.h"

struct cursor {
    const char *instance; /* "" before the first contact */
    uint64_t next;        /* sequence to ask for; at most INT64_MAX */
};

struct lives {
    struct cursor *items;
    size_t count;
};

enum item_role { ROLE_FAN_SPEED, ROLE_DRIVE_CONDITION, ROLE_AXIS_CONDITION, ROLE_AVAILABILITY, ROLE_POWER };

/* A condition of a drive or axis. */
struct condition_row {
    const struct observation *observation;
    const char *drive;   /* NULL when the register does not say which drive feeds the axis */
    const char *axis;    /* NULL for a drive's own condition */
    const char *machine; /* NULL when not known */
};

struct event_row { /* availability or power of a device */
    const struct observation *observation;
    enum item_role role;
};

struct gap_row {
    const char *instance;
    uint64_t from_sequence, to_sequence; /* lost: from .. to-1; both 0 when unknown */
    int64_t from_us, to_us;              /* the time that may be missing */
    const char *reason;                  /* overrun, restart, refused */
};

struct set_aside_row {
    const char *item, *reason;
    uint64_t sequence;
};

struct batch {
    const char *site, *source;
    int64_t received_us;
    struct cursor from, to;
    int64_t clock_offset_us; /* publisher's clock minus ours at receipt; TIME_UNKNOWN when not known */
    uint64_t buffer_size, last_sequence;
    size_t observations; /* that the answer covered, bound or not */
    size_t ahead;        /* of bound items, stamped more than five minutes after the publisher's own clock */
    struct reading *readings;
    uint64_t *reading_sequences; /* of each reading; NULL: not known */
    size_t reading_count;
    struct condition_row *conditions;
    size_t condition_count;
    struct event_row *events;
    size_t event_count;
    struct gap_row *gaps;
    size_t gap_count;
    struct set_aside_row *set_aside;
    size_t set_aside_count;
};

#endif
