/*
 * Files replaced as a whole: a reader, and whoever looks after a crash, sees what was in it before or what
 * was written, never a part. 'path'.new is written and renamed.
 */
#ifndef COLLECTOR_WHOLE_FILE_H
#define COLLECTOR_WHOLE_FILE_H

#include "base/err.h"

#include <stddef.h>

enum whole_file {
    WHOLE_FILE_SHOWN, /* for all to read; not synced: what stands in it is soon written again */
    WHOLE_FILE_KEPT,  /* for ourselves; synced */
};

MUST_USE bool whole_file_write(const char *path, enum whole_file how, const void *bytes, size_t size,
                               struct err *err);

#endif
