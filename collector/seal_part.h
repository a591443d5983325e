/*
 * The closed part of the journal, worked through in ranges: of one site, readings of so many days, of those
 * the fans from one on, as many as a step may hold. What lies before the place that was reached is sealed.
 */
#ifndef COLLECTOR_SEAL_PART_H
#define COLLECTOR_SEAL_PART_H

#include "db.h"
#include "pile.h"

/* How far a part is sealed; journal_state keeps it. */
struct seal_place {
    const char *site;
    bool is_done;      /* all of the site */
    int64_t before_us; /* readings before are sealed; TIME_UNKNOWN: no moment */
    int64_t until_us;  /* readings before are being sealed; TIME_UNKNOWN: not begun */
    int64_t fan_no;    /* of those, fans before this one are sealed */
};

struct damaged_row {
    int64_t journal_no;
    const uint8_t *bytes;
    size_t size;
    const char *why;
};

struct part_range {
    struct arena *mem;
    struct pile *pile;       /* readings to be sealed; the caller's, empty at first */
    struct pile left;        /* those of hours that are not closed; pile_free */
    struct seal_place place; /* that is reached when both are stored */
    struct damaged_row *damaged;
    size_t damaged_count;
};

/* Which readings are to be sealed: those before closed_us, and all that were received before latest_us. */
struct seal_due {
    int64_t closed_us, latest_us;
};

/* Reads the next range of about max_readings, and at least one fan. */
MUST_USE bool seal_part_read(struct db *db, int part, const struct seal_place *from, struct seal_due due,
                             int64_t max_readings, struct part_range *range, struct err *err);
/* In the caller's transaction: what is left goes to the open part, and damaged rows are set aside. */
MUST_USE bool seal_part_leave(struct db *db, int part, struct part_range *range, struct err *err);

#endif
