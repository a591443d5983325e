/*
 * The command "prepare": creates or upgrades the schema, and makes the partitions of today and tomorrow.
 */
#ifndef COLLECTOR_PREPARE_H
#define COLLECTOR_PREPARE_H

#include "base/err.h"

int prepare_command(const char *const *args, int count, struct err *err);

#endif
