/*
 * The database server that may be written to: after a failover an old primary that comes back is refused.
 *
 * The highest timeline that was seen is kept with the system's identifier in a file, so that a restart does
 * not forget it.
 */
#ifndef COLLECTOR_PRIMARY_H
#define COLLECTOR_PRIMARY_H

#include "db.h"

#include <limits.h>

struct primary {
    char path[PATH_MAX]; /* "": kept for this run only */
    char identifier[32]; /* "": none was seen */
    int64_t timeline;
    bool told;                    /* the refusal under way is in the log */
    int64_t refusals, refused_us; /* since the start, and the last; TIME_UNKNOWN: none */
    char refused_why[sizeof((struct err *)0)->text];
};

/* dir NULL or "": kept for this run only. */
MUST_USE bool primary_open(struct primary *p, const char *dir, struct err *err);
/* For db_open_where: ERR_UNAVAILABLE for a server with another identifier or a lower timeline, or a standby.
 */
bool primary_accept(void *primary, struct db *db, struct err *err);

/* For those who only look: what a collector keeps in dir, if it does (NULL: it does not). */
void primary_look(struct primary *p, const char *dir);
/* For db_open_where: as primary_accept, but a standby may be read, and nothing is kept or logged. */
bool primary_may_be_read(void *primary, struct db *db, struct err *err);

#endif
