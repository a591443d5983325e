/*
 * Reads the register for a running collector: again only when it was changed, and then a part at a time, so
 * that sources are asked meanwhile.
 */
#ifndef COLLECTOR_REGISTER_LOOK_H
#define COLLECTOR_REGISTER_LOOK_H

#include "binding.h"

struct register_look {
    int64_t version;   /* that was read last; 0: none */
    struct arena *mem; /* of what is being read; NULL: nothing is */
    struct bindings bindings;
    int64_t coming; /* its version */
    size_t done;    /* sources with their items */
    size_t at_a_time;
};

/* Looks whether the register was changed, and if so reads its sources. */
MUST_USE bool register_look_begin(struct register_look *l, struct db *db, struct err *err);
/* Something is being read. */
bool register_look_is_on(const struct register_look *l);
/* Reads on for some hundredths of a second. *whole: all is there, to be taken. */
MUST_USE bool register_look_step(struct register_look *l, struct db *db, bool *whole, struct err *err);
/* Hands out what was read, whose memory is the caller's then. */
struct arena *register_look_take(struct register_look *l, struct bindings *out);
/* Forgets what was read so far, also before the end of all. */
void register_look_drop(struct register_look *l);

#endif
