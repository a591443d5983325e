/*
 * One program run beside us: no shell, no arguments, a text on standard input, a time limit.
 */
#ifndef COLLECTOR_CHILD_H
#define COLLECTOR_CHILD_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

struct child {
    pid_t pid;
    int64_t deadline_ms; /* of the monotonic clock */
    bool is_late;
};

/* It sees PATH, HOME, LANG, LC_ALL, TZ and TMPDIR of our environment, and none of our open files. */
MUST_USE bool child_start(struct child *c, const char *program, const char *input, int64_t limit_ms,
                          struct err *err);
/* Never waits. True once: it has ended, and 'why' says how it failed ("" for status 0). */
bool child_ended(struct child *c, char *why, size_t size);
/* Ends it with all that it has started. */
void child_kill(struct child *c);

#endif
