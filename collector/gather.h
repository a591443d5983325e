/*
 * What the decoders share: a document that grows, is put in order of sequence and loses its repeats.
 */
#ifndef COLLECTOR_GATHER_H
#define COLLECTOR_GATHER_H

#include "intern.h"
#include "observation.h"

enum {
    /* Of one document; ten times what is asked for at a time. More refuse the document. */
    GATHER_MAX_OBSERVATIONS = 100000,
    /* Refusals kept one by one; the rest of a hopeless document is only counted. */
    GATHER_MAX_REFUSALS = 1000
};

struct gather {
    struct document *out;
    struct arena *mem;
    struct intern texts;
    size_t capacity, refusal_capacity, uncounted;
};

/* 'out' has no observations yet; 'expected' is a guess at their number. */
void gather_init(struct gather *g, struct document *out, struct arena *mem, size_t expected);
/* Room for one more; it counts when gather_keep is called and is given again when not. */
struct observation *gather_next(struct gather *g);
void gather_keep(struct gather *g);
/* Whether one more may be kept; else *err says that there are too many. */
MUST_USE bool gather_has_room(const struct gather *g, struct err *err);
/* 'reason' must live as long as the document. */
void gather_refuse(struct gather *g, uint64_t sequence, const char *item, const char *reason);
/* When an observation occurred; a date without a time is no such moment. no_zone may be NULL. */
MUST_USE bool gather_moment(const char *text, int64_t *at_us, bool *no_zone);
/* Sorts; of observations with one sequence the first stays, and others that differ from it are refused. */
void gather_finish(struct gather *g);

#endif
