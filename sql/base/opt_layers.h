/*
 * Inside the options only: where the values of a command come from, one layer over the other. What the
 * targets held, the settings file, the environment, the command line.
 */
#ifndef BASE_OPT_LAYERS_H
#define BASE_OPT_LAYERS_H

#include "base/arena.h"
#include "base/opts.h"

struct opt_given {
    const struct opt *opt;
    const char *text; /* NULL for a flag */
};

union opt_held;

struct opt_layers {
    struct arena *mem; /* also of texts from the settings file */
    const struct opt **opts;
    size_t opt_count;
    const char *settings;    /* the file named on the command line; NULL: none */
    struct opt_given *given; /* room for all arguments, in the order of the command line */
    size_t given_count;
    const char **file_texts;        /* what the settings file said, one an option */
    union opt_held *usual, *before; /* what the targets held before anything was read, or was read again */
};

/* Once all options are known, before any value is read. */
void opt_layers_begin(struct opt_layers *l);
void opt_layers_give(struct opt_layers *l, const struct opt *o, const char *text);
MUST_USE bool opt_layers_apply(const struct opt_layers *l, struct err *err);
/* From the lowest layer up again; when something is wrong, all targets keep what they held. */
MUST_USE bool opt_layers_reapply(const struct opt_layers *l, struct err *err);

#endif
