/*
 * The fleet as it was dated before a past moment, and what became of its drives after it. Pure.
 *
 * A cut goes by the dates of what happened, not by the moments at which it became known: history that was
 * caught up or imported at once was all received late, and there would be no past to replay. What a replay
 * shows is therefore how the method does, not what was on paper then. Register and stock are as they are now.
 */
#ifndef REPORTER_REPLAY_H
#define REPORTER_REPLAY_H

#include "fleet.h"

/*
 * The fleet of a moment before fleet->as_of_us: days that were closed, episodes that had begun (open where
 * they ended or became an alarm later), work that was done, the fan that was in place. Shares what does not
 * change; 'fleet' must outlive it.
 */
void replay_cut(const struct fleet *fleet, int64_t at_us, struct arena *mem, struct fleet *out);

/* How a drive's time after a moment ended. */
enum fate {
    FATE_FAULT,   /* an episode of its fans began */
    FATE_CHANGED, /* before any: a fan or the drive itself was replaced, so what would have come is not known
                   */
    FATE_OPEN,    /* neither, up to the end of what is known */
};
struct replay_outcome {
    enum fate fate;
    double days; /* from the moment to that end */
};
/* 'drive' is of the whole fleet, not of the cut. */
struct replay_outcome replay_outcome(const struct drive *drive, int64_t at_us, int64_t until_us);
/* A fault is reported at the moment: there is nothing to forecast. */
bool replay_in_fault(const struct drive *drive, int64_t at_us);

#endif
