/*
 * The sources of a running collector, as the newest register names them.
 */
#ifndef COLLECTOR_ROSTER_H
#define COLLECTOR_ROSTER_H

#include "station.h"

struct roster {
    struct station **stations; /* in order of their keys */
    size_t count;
    struct source *sources;  /* of the newest register, in the same order */
    struct arena *positions; /* of the sources, when newer than the register; NULL: not so */
    struct arena *mem;       /* of the register; NULL: none was read yet */
};

void roster_release(struct roster *r);

/*
 * Follows a newer register, whose memory 'mem' becomes the roster's: old stations go on, those that are new
 * say so (is_new), and those that are gone (gone) belong to whoever holds them. Sorts the sources.
 */
void roster_follow(struct roster *r, struct bindings *fresh, struct arena *mem);

/* The sources were given newer positions, whose memory is the roster's then; contacts are put in, too. */
void roster_has_positions(struct roster *r, struct arena *positions);

size_t roster_count_read(const struct roster *r); /* that answer */
size_t roster_count_failing(const struct roster *r);
/* Calls back for each source that could not be read, in order of their keys. */
void roster_failures(const struct roster *r, void (*tell)(void *context, const char *source, const char *why),
                     void *context);

#endif
