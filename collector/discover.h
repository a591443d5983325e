/*
 * What a source offers, as draft bindings for a person to check.
 *
 * A draft never guesses a drive or axis: those are the plant's own names. A rotary velocity without a fan
 * around it is a spindle or an axis motor and is left out.
 */
#ifndef COLLECTOR_DISCOVER_H
#define COLLECTOR_DISCOVER_H

#include "base/opts.h"
#include "batch.h"

struct draft {
    const char *device, *item;
    enum item_role role;
    const char *position; /* "internal-1", "internal-2", "heat-sink"; "" when the names do not say */
    const char *reason;   /* what the proposal goes by, for the person who checks it */
};

/* Speeds that the machine itself gives for its fans, each pair once. NAN: not given. */
struct fan_limits {
    double rated_rpm, warning_rpm;
    size_t fans;
    const char *path; /* of the first */
};

/* In the order of the model. */
void discover_bindings(const struct model *model, struct arena *mem, struct draft **drafts, size_t *count);

void discover_limits(const struct model *model, struct arena *mem, struct fan_limits **limits, size_t *count);

/* "discover URL": asks the source for its model, prints bindings.csv with a column 'reason' at the end. */
int discover_command(const char *const *args, int count, struct err *err);
extern const struct opt discover_options[];

#endif
