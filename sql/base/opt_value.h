/*
 * Inside the options only: the text of an option's value into its target, and what --help says of it.
 */
#ifndef BASE_OPT_VALUE_H
#define BASE_OPT_VALUE_H

#include "base/arena.h"
#include "base/opts.h"

/* 'place' says who gave it: "--horizon", "VANEWARD_HORIZON", "x.ini:3: horizon". The text must stay. */
MUST_USE bool opt_value_set(const struct opt *o, const char *text, const char *place, enum err_kind kind,
                            struct err *err);
/* The option's help with its limits and default. */
const char *opt_value_help(const struct opt *o, struct arena *mem);
/* True when 'name' names the option; - and _ are the same, so are A and a. */
bool opt_value_named(const struct opt *o, const char *name);

#endif
