/*
 * The commands of the reporter: options, reading, working out, writing. The mathematics is elsewhere.
 */
#ifndef REPORTER_COMMANDS_H
#define REPORTER_COMMANDS_H

#include "base/opts.h"

extern const struct program reporter;

#endif
