/*
 * What fleet.c and fleet_history.c share: one reading of the fleet. Not for others.
 */
#ifndef REPORTER_FLEET_READ_H
#define REPORTER_FLEET_READ_H

#include "fleet.h"

struct fleet_reader {
    struct db *db;
    struct arena *mem;
    struct fleet *fleet;
};

/* A text cell, kept in the arena; NULL for null. */
const char *fleet_text(const struct fleet_reader *r, const struct rows *rows, size_t row, int column);
/* NULL when there is none of that key. */
struct drive *fleet_find_drive(const struct fleet *f, const char *drive);
struct fan *fleet_find_fan(const struct fleet *f, const char *drive, const char *position);
/* How many rows from 'row' on have the same text in 'column'. */
size_t fleet_run(const struct rows *rows, size_t row, int column);

/* Work and episodes of the drives and fans that are already there, and the fans of each site. */
MUST_USE bool fleet_read_history(struct fleet_reader *r, struct err *err);

/* The newest track record, and the calibration in it; none is fine. */
MUST_USE bool fleet_read_track(struct fleet_reader *r, struct err *err);

#endif
