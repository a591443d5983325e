/*
 * The things that the register knows by key, of one kind: from the database, from the files of a load, or
 * from both.
 */
#ifndef COLLECTOR_REGISTER_THINGS_H
#define COLLECTOR_REGISTER_THINGS_H

#include "base/arena.h"

#include <stdint.h>

struct register_row;

struct thing {
    const char *key;      /* parts of a key of several columns stand apart by a byte 1 */
    const char *site;     /* after the load; NULL: it has none, or it is not known */
    const char *was_site; /* in the database; NULL: it is not there */
    const char *of; /* of a drive: its model; of an axis: its drive; of a part: the one that it supersedes */
    const char *machine; /* of a drive or axis */
    int64_t number;      /* of a drive model: internal fans; of a fan: its number in the site; of a site: the
                            highest of these; -1: unknown */
    int64_t replaced_us; /* of a fan: the last replacement that work tells */
    bool stored;         /* the database has it */
    const struct register_row *row; /* of this load; NULL: it is in no file */
};

struct things {
    struct arena *mem;
    struct thing **slots;
    size_t capacity, used;
};

void things_init(struct things *t, struct arena *mem);
/* NULL: not there. */
struct thing *things_find(const struct things *t, const char *key);
/* Makes it where it is missing; the key must stay. */
struct thing *things_put(struct things *t, const char *key);
/* The key that is most like one that is not there, or NULL. */
const char *things_nearest(const struct things *t, const char *key);

#endif
