/*
 * The command run: reads all sources, for ever, once, or until each has been read to its end.
 */
#ifndef COLLECTOR_RUN_H
#define COLLECTOR_RUN_H

#include "base/opts.h"

extern const struct opt run_options[];
int run_command(const char *const *args, int count, struct err *err);

#endif
