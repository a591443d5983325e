/*
 * The command "register FILE.csv|DIR ...", and what it shares with "work".
 */
#ifndef COLLECTOR_REGISTER_COMMAND_H
#define COLLECTOR_REGISTER_COMMAND_H

#include "base/opts.h"
#include "register.h"

int register_command(const char *const *args, int count, struct err *err);

/* Reads a file into a load; a file that cannot be read is an issue like others. */
void register_read_path(struct register_load *r, enum register_kind kind, const char *path);
/* Opens the database, checks, stores, prints. Exit status. */
int register_finish(struct register_load *r, struct err *err);

/* One load's limit: a register of a million fans fits. */
#define REGISTER_MAX_MEMORY ((size_t)4 << 30)

#endif
