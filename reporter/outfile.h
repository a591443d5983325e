/*
 * A file that appears whole or not at all: written beside its place under a hidden name, flushed to the disk,
 * renamed. What stood there before stays until then.
 */
#ifndef REPORTER_OUTFILE_H
#define REPORTER_OUTFILE_H

#include "base/err.h"

#include <stddef.h>

/* ERR_OUTPUT; then nothing new is left behind. */
MUST_USE bool outfile_write(const char *path, const void *bytes, size_t size, struct err *err);

#endif
