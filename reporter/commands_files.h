/*
 * Lifetimes and demand histories from a person's own CSV files, checked line by line: complaints name
 * file:line:column, all of a file (up to a limit) at once.
 */
#ifndef REPORTER_COMMANDS_FILES_H
#define REPORTER_COMMANDS_FILES_H

#include "export.h"

/* Fitted life models by group, in order of the groups' names. Header: entry,exit,event[,group][,exit_high]
 * [,cause][,site][,temperature_c]; a failure by another cause than "worn" or none ends a life unfailed. */
MUST_USE bool files_life(const char *path, struct arena *mem, struct life_report *out, struct err *err);
/* Demand histories by part, in order of parts. Header: part,period,quantity; one row a period, in order. */
MUST_USE bool files_history(const char *path, struct arena *mem, struct history_part **parts, size_t *count,
                            struct err *err);

#endif
