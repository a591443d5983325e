/*
 * The command "work": finished work, from a file or from the command line.
 */
#ifndef COLLECTOR_WORK_H
#define COLLECTOR_WORK_H

#include "base/arena.h"
#include "base/opts.h"

int work_command(const char *const *args, int count, struct err *err);
extern const struct opt work_options[];

/* Splits "DRIVE/POSITION" at its last slash, in memory of mem; false when there is none. */
bool work_split_fan(const char *fan, struct arena *mem, const char **drive, const char **position);

#endif
