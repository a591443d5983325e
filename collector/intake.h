/*
 * From what a source said to what is stored: data items become fans and drives, texts become numbers, and
 * what cannot be used is set aside with its reason. Pure.
 */
#ifndef COLLECTOR_INTAKE_H
#define COLLECTOR_INTAKE_H

#include "binding.h"
#include "poll.h"

/* Everything in *out is copied to mem; the documents may go. Observations of unbound items are left out. */
void intake(const struct source *s, const struct poll_result *answer, int64_t received_us, struct arena *mem,
            struct batch *out);

#endif
