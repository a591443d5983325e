/*
 * The closed part of the journal, worked through in ranges: of one site, readings of so many days, of those
 * the fans from one on, as many as a step may hold. What lies before the place that was reached is sealed.
 *
 * What a step may hold of a site is taken from the journal; where there is more, the site is scattered first
 * (seal_scatter.h), and each step takes a range of fans from there.
 */
#ifndef COLLECTOR_SEAL_PART_H
#define COLLECTOR_SEAL_PART_H

#include "db.h"
#include "pile.h"
#include "seal_rows.h"

/* How far a part is sealed; journal_state keeps it. */
struct seal_place {
    const char *site;
    bool is_done;      /* all of the site */
    int64_t before_us; /* readings before are sealed; TIME_UNKNOWN: no moment */
    int64_t until_us;  /* readings before are being sealed; TIME_UNKNOWN: not begun; PILE_LATEST_US: all */
    int64_t fan_no;    /* of those, fans before this one are sealed */
    int64_t scattered_fans; /* fans from there to before this one are scattered; 0: none */
};

/* Behind all fans. */
#define SEAL_END_FAN (INT64_C(1) << 31)

/* Whether the next range was scattered. */
static inline bool seal_part_is_scattered(const struct seal_place *place)
{
    return place->fan_no < place->scattered_fans;
}
/* Whether nothing of the site is sealed. */
static inline bool seal_part_is_untouched(const struct seal_place *place)
{
    return place->before_us == TIME_UNKNOWN && !place->fan_no;
}
/* Whether a reading lies behind the place. */
static inline bool seal_part_is_open(const struct seal_place *place, const struct reading *r)
{
    return (place->before_us == TIME_UNKNOWN || r->at_us >= place->before_us) &&
           (place->until_us == TIME_UNKNOWN || r->at_us < place->until_us) && r->fan_no >= place->fan_no;
}
/* The end of the days that are sealed together when readings lie between these moments. */
int64_t seal_part_until(int64_t earliest_us, int64_t latest_us);
/* The place when the fans before this one are sealed too; SEAL_END_FAN: all of them. */
struct seal_place seal_part_after(const struct seal_place *from, int64_t until_us, int64_t end_fan);

struct part_range {
    struct arena *mem;
    struct pile *pile;       /* readings to be sealed; the caller's, empty at first */
    struct pile left;        /* those of hours that are not closed */
    struct seal_place place; /* that is reached when both are stored */
    struct seal_rows rows;   /* of the journal */
    int64_t unpacked;        /* readings that were unpacked for it */
};

/* Reads the next range: what is scattered, at most about max_readings and at least one fan; else all of the
 * site. ERR_INPUT: what is scattered is damaged. */
MUST_USE bool seal_part_read(struct db *db, int part, const struct seal_place *from, struct seal_due due,
                             int64_t max_readings, struct part_range *range, struct err *err);
void seal_part_release(struct part_range *range);
/* In the caller's transaction: what is left goes to the open part, and damaged rows are set aside. */
MUST_USE bool seal_part_leave(struct part_range *range, struct err *err);

#endif
