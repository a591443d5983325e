/*
 * What a source's newest state says of its conditions after a gap: which are active on each item, and so
 * which are no more. Pure. Used by intake alone.
 */
#ifndef COLLECTOR_INTAKE_LISTED_H
#define COLLECTOR_INTAKE_LISTED_H

#include "binding.h"
#include "poll.h"

/*
 * Adds a condition of STATE_LISTED to *out for each bound item with something active or with a normal that
 * names a code: its value are the ids of what is active, each with a newline behind it, its sequence is the
 * last one that the state covers. Nothing is said of an item that is unavailable, not told in full or
 * stopped, nor where a bare normal says it already.
 */
void intake_listed(const struct source *s, const struct poll_result *answer, int64_t at_us, struct arena *mem,
                   struct batch *out);

#endif
