/*
 * The command health: is every source read, in time and without loss, and what helps where it is not?
 */
#ifndef COLLECTOR_HEALTH_H
#define COLLECTOR_HEALTH_H

#include "base/opts.h"

extern const struct opt health_options[];

/* 0: all is well; 3: what is wrong is listed, the worst first; 69 and 78: the database cannot be used, which
 * is listed too. */
int health_command(const char *const *args, int count, struct err *err);

#endif
