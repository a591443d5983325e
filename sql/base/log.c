#include "base/log.h"

#include "base/clock.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

enum { LINE_MAX_BYTES = 2000 };

static enum log_level max_level = LOG_LEVEL_INFO;

void log_set_level(enum log_level level)
{
    max_level = level;
}

/* Control characters would start a new record or move the reader's cursor. */
static void defuse(char *s)
{
    for (; *s; s++)
        if ((unsigned char)*s < 0x20 || *s == 0x7f)
            *s = '?';
}

static PRINTF_LIKE(3, 0) void write_line(enum log_level level, const char *event, const char *fmt,
                                         va_list args)
{
    static const char *const words[] = {"error", "warn", "info", "debug"};
    static const int priorities[] = {3, 4, 6, 7}; /* sd-daemon(3) */
    if (level > max_level)
        return;

    char text[LINE_MAX_BYTES];
    vsnprintf(text, sizeof text, fmt, args);
    defuse(text);
    if (getenv("JOURNAL_STREAM")) {
        fprintf(stderr, "<%d>%s %s\n", priorities[level], event, text);
    } else {
        char stamp[TIME_TEXT];
        time_format(clock_now_us(), stamp);
        fprintf(stderr, "%s %-5s %s %s\n", stamp, words[level], event, text);
    }
}

#define LOG_FUNCTION(name, level)                                                                            \
    void name(const char *event, const char *fmt, ...)                                                       \
    {                                                                                                        \
        va_list args;                                                                                        \
        va_start(args, fmt);                                                                                 \
        write_line(level, event, fmt, args);                                                                 \
        va_end(args);                                                                                        \
    }

LOG_FUNCTION(log_error, LOG_LEVEL_ERROR)
LOG_FUNCTION(log_warn, LOG_LEVEL_WARN)
LOG_FUNCTION(log_info, LOG_LEVEL_INFO)
LOG_FUNCTION(log_debug, LOG_LEVEL_DEBUG)
