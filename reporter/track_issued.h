/*
 * Forecasts that stood in packs, once their horizon has passed, beside what came. Pure.
 */
#ifndef REPORTER_TRACK_ISSUED_H
#define REPORTER_TRACK_ISSUED_H

#include "fleet.h"
#include "track.h"

struct issued {
    const struct drive *drive;
    int64_t issued_us;
    int horizon_days;
    double probability;
    bool urgent; /* the pack said to act at once or within the week */
};

struct issued_record {
    size_t forecasts, faults, lost; /* as in struct track_horizon; all horizons together */
    struct track_score score;
    struct score_tenth tenths[SCORE_TENTHS];
    int called,
        called_right; /* drives called urgent in the last TRACK_CALL_DAYS that are due; with a fault */
};
/* In order of time; of fleet->only_site, or all. Drives with an open fault at the time were not forecast. */
void track_issued(const struct fleet *fleet, const struct issued *issued, size_t count, struct arena *mem,
                  struct issued_record *out);

/* One sentence on how good the last forecasts were: of issued ones, else of replayed ones, else that there
 * are none yet. */
const char *track_line(struct arena *mem, const struct track *track, const struct issued_record *issued);
/* How the probabilities were made, for notes. */
const char *track_method_line(struct arena *mem, const struct track *track);

#endif
