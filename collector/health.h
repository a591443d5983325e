/*
 * The command health: is every source read, in time and without loss?
 */
#ifndef COLLECTOR_HEALTH_H
#define COLLECTOR_HEALTH_H

#include "base/err.h"

/* 0: all is well; 3: what is wrong is listed. */
int health_command(const char *const *args, int count, struct err *err);

#endif
