#include "moment.h"

#include <string.h>
#include <time.h>

int64_t moment_now_ms(void)
{
    struct timespec now;

    clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * MS_PER_S + now.tv_nsec / 1000000;
}

/* Days since 1970-01-01 of a date of the Gregorian calendar, years counted from March so that the leap day is
 * last. */
static int64_t days_of(int64_t year, int month, int day)
{
    int64_t y = month > 2 ? year : year - 1;
    int64_t from_march = (153 * (month > 2 ? month - 3 : month + 9) + 2) / 5 + day - 1;

    return 365 * y + y / 4 - y / 100 + y / 400 + from_march - 719468;
}

static void date_of(int64_t days, int *year, int *month, int *day)
{
    int y = 1970 + (int)(days / 366), m = 1;

    while (days_of(y + 1, 1, 1) <= days)
        y++;
    while (m < 12 && days_of(y, m + 1, 1) <= days)
        m++;
    *year = y;
    *month = m;
    *day = (int)(days - days_of(y, m, 1)) + 1;
}

bool moment_parse(const char *text, int64_t *ms)
{
    int year, month, day, hour = 0, minute = 0, second = 0, milli = 0, end = 0;

    if (sscanf(text, "%4d-%2d-%2d%n", &year, &month, &day, &end) != 3 || month < 1 || month > 12 || day < 1 ||
        day > 31)
        return false;
    text += end;
    if (*text == 'T') {
        end = 0;
        if (sscanf(text, "T%2d:%2d:%2d%n", &hour, &minute, &second, &end) != 3 || !end)
            return false;
        text += end;
        end = 0;
        if (*text == '.' && (sscanf(text, ".%3d%n", &milli, &end) != 1 || end != 4))
            return false;
        text += end;
        if (strcmp(text, "Z") != 0 && strcmp(text, "+00:00") != 0)
            return false;
    } else if (*text) {
        return false;
    }
    *ms = days_of(year, month, day) * MS_PER_DAY + hour * MS_PER_HOUR + minute * MS_PER_MIN +
          second * MS_PER_S + milli;
    return true;
}

static void two(char *at, int64_t value)
{
    at[0] = (char)('0' + value / 10);
    at[1] = (char)('0' + value % 10);
}

void moment_out_day(struct out *o, int64_t ms)
{
    /* Observations of one page lie close together: the last day's text nearly always serves again. */
    static _Thread_local int64_t known_day = INT64_MIN;
    static _Thread_local char known[16];
    int64_t days = ms / MS_PER_DAY;

    if (days != known_day) {
        int year, month, day;

        date_of(days, &year, &month, &day);
        snprintf(known, sizeof known, "%04d-%02d-%02d", year % 10000, month % 100, day % 100);
        known_day = days;
    }
    out_bytes(o, known, 10);
}

void moment_out(struct out *o, int64_t ms, enum moment_style style)
{
    char rest[24] = "T00:00:00.000";
    int64_t of_day = ms % MS_PER_DAY;

    moment_out_day(o, ms);
    two(rest + 1, of_day / MS_PER_HOUR);
    two(rest + 4, of_day / MS_PER_MIN % 60);
    two(rest + 7, of_day / MS_PER_S % 60);
    rest[10] = (char)('0' + of_day % 1000 / 100);
    two(rest + 11, of_day % 100);
    out_bytes(o, rest, style == MOMENT_SECOND ? 9 : 13);
    out_text(o, style == MOMENT_MICRO ? "000Z" : style == MOMENT_NO_ZONE ? "" : "Z");
}
