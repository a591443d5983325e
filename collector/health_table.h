/*
 * The figures of all sources as a table for people.
 */
#ifndef COLLECTOR_HEALTH_TABLE_H
#define COLLECTOR_HEALTH_TABLE_H

#include "health_check.h"

void health_table_print(const struct health *h, const struct findings *f);

#endif
