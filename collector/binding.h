/*
 * The sources and what their data items mean, from the register in the database.
 */
#ifndef COLLECTOR_BINDING_H
#define COLLECTOR_BINDING_H

#include "batch.h"
#include "db.h"
#include "networks.h"

/* What the source's own model says of a bound item. */
struct item_check {
    const char *type, *units, *place, *name; /* when it was first seen; NULL: not yet */
    const char *stopped;                     /* why nothing is taken from it any more; NULL: it is taken */
    bool is_new;                             /* not yet noted in the database */
};

/* What one data item of a source is. */
struct item_binding {
    const char *device, *item;
    enum item_role role;
    uint32_t fan_no;          /* ROLE_FAN_SPEED */
    const char *drive;        /* of a condition: the axis' drive, where an axis reports; NULL: not known */
    const char *axis;         /* ROLE_AXIS_CONDITION */
    const char *machine;      /* NULL: not known */
    struct item_check *check; /* NULL: nothing is checked */
};

struct source {
    const char *site, *source, *url;
    bool is_feed;
    const char *credential, *ca_file, *pinned_key; /* NULL: none, the system's, any */
    struct networks networks;                      /* of its site */
    int64_t period_ms;
    struct cursor cursor; /* as stored when the register was read */
    struct lives lives;   /* instances that it left, the newest last */
    uint64_t buffer_size;
    int64_t last_contact_us;
    int failures;
    const struct item_binding **slots; /* by device and item */
    size_t slot_count, item_count;
    size_t unseen; /* items whose type and units have not been seen in the source's model */
};

struct bindings {
    struct source *sources; /* in order of their key */
    size_t count;
};

/* A number that is another one after each change of the register. */
MUST_USE bool register_version_load(struct db *db, int64_t *version, struct err *err);
/* All sources, without their items. */
MUST_USE bool sources_load(struct db *db, struct arena *mem, struct bindings *out, struct err *err);
/* What the items of some sources are, and which instances those left. */
MUST_USE bool items_load(struct db *db, struct arena *mem, struct source *sources, size_t count,
                         struct err *err);

/* How far sources are read: their cursors, and the instances that they left. */
MUST_USE bool positions_load(struct db *db, struct source *sources, size_t count, struct arena *mem,
                             struct err *err);

/* Makes the look-up table of a source. */
void source_bind(struct source *s, const struct item_binding *items, size_t count, struct arena *mem);
/* NULL: not bound. A device is known by its uuid or by its name (which may be NULL). */
const struct item_binding *source_item(const struct source *s, const char *device, const char *device_name,
                                       const char *item);

/* The positions that are stored now, for sources whose own idea of it proved wrong; one a source, in order;
 * the instance is "" where nothing is stored. */
MUST_USE bool cursors_load(struct db *db, const struct source *const *sources, size_t count,
                           struct arena *mem, struct cursor *out, struct err *err);

#endif
