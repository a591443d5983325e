/*
 * One line an event on standard error: level, event name, key=value pairs.
 *
 * Log changes of state ("silent", "answers again after 14 misses"), never each miss. Pure modules do not log.
 * Values that come from outside are escaped: one record is one
 * line.
 */
#ifndef BASE_LOG_H
#define BASE_LOG_H

#include "base/err.h"

enum log_level { LOG_LEVEL_ERROR, LOG_LEVEL_WARN, LOG_LEVEL_INFO, LOG_LEVEL_DEBUG };

/* The default is INFO. */
void log_set_level(enum log_level level);
void log_error(const char *event, const char *fmt, ...) PRINTF_LIKE(2, 3);
void log_warn(const char *event, const char *fmt, ...) PRINTF_LIKE(2, 3);
void log_info(const char *event, const char *fmt, ...) PRINTF_LIKE(2, 3);
void log_debug(const char *event, const char *fmt, ...) PRINTF_LIKE(2, 3);

#endif
