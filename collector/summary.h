/*
 * The figures of one fan and UTC day. Pure.
 *
 * A reading holds until the next one, at most to the end of the day; before the first reading of the day
 * nothing is known, and a reading that says "unavailable" ends what was known. Median, mean and spread are
 * weighted by that time and taken over speeds above 0, because a fan that stands says nothing of how it runs.
 */
#ifndef COLLECTOR_SUMMARY_H
#define COLLECTOR_SUMMARY_H

#include "block.h"

struct day_figures {
    int readings, unavailable, zero;
    int covered_s;
    double median, mean, min, max, spread, last; /* rev/min; NAN: none */
    int64_t last_us;
};

/* readings: of one fan and one day, in order of time, at least one. */
struct day_figures summary_of_day(const struct reading *readings, size_t count, int64_t day_start_us,
                                  struct arena *mem);

#endif
