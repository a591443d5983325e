/*
 * The spool of a running collector: where it lies, and what its log says of it.
 */
#ifndef COLLECTOR_SPOOLING_H
#define COLLECTOR_SPOOLING_H

#include "spool.h"

#define SPOOL_USUAL_DIR "/var/lib/vaneward/spool"

struct spooling_settings {
    const char *dir; /* NULL: the usual one, if it is there; "": none */
    int64_t max_mb;
    int64_t reserve_mb;
};

/* The folder that these settings mean; NULL: no spool. */
const char *spooling_dir(const struct spooling_settings *settings);
/* *spool NULL: none, which is said once. */
MUST_USE bool spooling_open(struct spool **spool, const struct spooling_settings *settings, struct err *err);

/* What was last said of it. */
struct spooling_told {
    struct spool_state state;
    struct spool_disk disk;
};
/* Logs what has changed since then: that it fills, that it is empty again, what was damaged or dropped, and
 * how its disk is. */
void spooling_tell(const struct spool *spool, struct spooling_told *told);

#endif
