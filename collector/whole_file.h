/*
 * Files for others to read, replaced as a whole: a reader sees the old text or the new one.
 */
#ifndef COLLECTOR_WHOLE_FILE_H
#define COLLECTOR_WHOLE_FILE_H

#include "base/err.h"

#include <stddef.h>

/* Writes 'path'.new and renames that. It is not synced: what stands in it is soon written again. */
MUST_USE bool whole_file_write(const char *path, const char *text, size_t size, struct err *err);

#endif
