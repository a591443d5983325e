/*
 * What a running collector knows, left on disk for the command health, which may find the database away: one
 * JSON file, replaced as a whole.
 */
#ifndef COLLECTOR_STATE_FILE_H
#define COLLECTOR_STATE_FILE_H

#include "health_source.h"

struct state {
    const char *collector, *version; /* host and process */
    int64_t at_us, started_us, clock_stepped_us;
    const char *database_away;   /* why; NULL: it can be used */
    const char *primary_refused; /* why a server was refused last; NULL: none was */
    int64_t primary_refused_us;
    int64_t spool_dropped, spool_damaged;
    struct source_health *sources; /* gaps and observations set aside are not known */
    size_t source_count;
};

/* The file in a folder. */
const char *state_file_path(const char *dir, struct arena *mem);
MUST_USE bool state_file_write(const struct state *s, const char *path, struct err *err);
/* False: there is none, or it is damaged. */
MUST_USE bool state_file_read(const char *path, struct arena *mem, struct state *s);

#endif
