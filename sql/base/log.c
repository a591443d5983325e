#include "base/log.h"

#include "base/clock.h"

#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { LINE_MAX_BYTES = 2000 };

static enum log_level max_level = LOG_LEVEL_INFO;

void log_set_level(enum log_level level)
{
    max_level = level;
}

/* How many bytes at s would start a new record, move the reader's cursor or turn the direction of the text:
 * C0, DEL and C1 controls, U+061C, U+200E, U+200F, U+2028 to U+202E, U+2066 to U+2069. */
static int unsafe_bytes(const unsigned char *s)
{
    if (s[0] < 0x20 || s[0] == 0x7f)
        return 1;
    if ((s[0] == 0xc2 && s[1] >= 0x80 && s[1] < 0xa0) || (s[0] == 0xd8 && s[1] == 0x9c))
        return 2;
    if (s[0] != 0xe2 || (s[1] != 0x80 && s[1] != 0x81))
        return 0;
    bool is_unsafe = s[1] == 0x80 ? s[2] == 0x8e || s[2] == 0x8f || (s[2] >= 0xa8 && s[2] <= 0xae)
                                  : s[2] >= 0xa6 && s[2] <= 0xa9;
    return is_unsafe ? 3 : 0;
}

static void defuse(char *text)
{
    for (unsigned char *s = (unsigned char *)text; *s; s++) {
        for (int n = unsafe_bytes(s); n > 0; n--)
            s[n - 1] = '?';
    }
}

/* Standard error is the stream that JOURNAL_STREAM (device:inode) means: a program that redirects us keeps
 * the variable, but not the stream. */
static bool is_journal(void)
{
    const char *stream = getenv("JOURNAL_STREAM");
    struct stat here;
    char own[60];
    if (!stream || fstat(STDERR_FILENO, &here) != 0)
        return false;
    snprintf(own, sizeof own, "%ju:%ju", (uintmax_t)here.st_dev, (uintmax_t)here.st_ino);
    return strcmp(own, stream) == 0;
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
    if (is_journal()) {
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
