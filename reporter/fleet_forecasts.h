/*
 * Forecasts in the database: what was learned from the past, and what packs said.
 */
#ifndef REPORTER_FLEET_FORECASTS_H
#define REPORTER_FLEET_FORECASTS_H

#include "risk.h"
#include "track_issued.h"

/* Stores a track record and the calibration in it as known from now on. */
MUST_USE bool fleet_store_track(struct db *db, const struct track *track, int64_t now_us, struct err *err);
/* Stores what is ranked as issued at the as-of; what was issued before at that moment stays. */
MUST_USE bool fleet_store_forecasts(struct db *db, const struct assessment *a, struct err *err);

/* Those that were stored by fleet->as_of_us, in order of time; drives that left the register are left out. */
MUST_USE bool fleet_read_issued(struct db *db, const struct fleet *fleet, struct arena *mem,
                                struct issued **issued, size_t *count, struct err *err);

#endif
