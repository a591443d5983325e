#include "base/clock.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

int64_t clock_now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_REALTIME, &t);
    return (int64_t)t.tv_sec * US_PER_S + t.tv_nsec / 1000;
}

int64_t clock_mono_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

/* Exactly 'n' digits at *p; moves *p past them. */
static bool digits(const char **p, int n, int *value)
{
    *value = 0;
    for (int k = 0; k < n; k++) {
        if (!isdigit((unsigned char)(*p)[k]))
            return false;
        *value = *value * 10 + ((*p)[k] - '0');
    }
    *p += n;
    return true;
}

static bool is_leap(int year)
{
    return (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
}

static int days_in_month(int year, int month)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    return month == 2 && is_leap(year) ? 29 : days[month - 1];
}

/* Days since 1970-01-01 by the Gregorian rule; a third of timegm's time, and a document has thousands of
 * stamps. */
static int32_t day_number(int year, int month, int day)
{
    static const int before_month[] = {0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334};
    enum { DAYS_OF_400_YEARS = 146097, DAYS_BEFORE_1970 = 719162 /* since 0001-01-01 */ };
    int past = year + 399; /* whole years since -0399, so that no division is of a negative number */
    int days = past * 365 + past / 4 - past / 100 + past / 400 - DAYS_OF_400_YEARS - DAYS_BEFORE_1970;
    return days + before_month[month - 1] + (month > 2 && is_leap(year)) + day - 1;
}

static bool date_part(const char **p, int32_t *day)
{
    int y, m, d;
    if (!digits(p, 4, &y) || *(*p)++ != '-' || !digits(p, 2, &m) || *(*p)++ != '-' || !digits(p, 2, &d))
        return false;
    if (m < 1 || m > 12 || d < 1 || d > days_in_month(y, m))
        return false;
    *day = day_number(y, m, d);
    return true;
}

static bool fraction_part(const char **p, int64_t *us)
{
    *us = 0;
    if (**p != '.')
        return true;
    ++*p;
    if (!isdigit((unsigned char)**p))
        return false;
    int64_t unit = US_PER_S / 10;
    for (; isdigit((unsigned char)**p); ++*p, unit /= 10)
        *us += unit * (**p - '0');
    return true;
}

static bool clock_part(const char **p, int64_t *us)
{
    int h, m, s;
    if (!digits(p, 2, &h) || *(*p)++ != ':' || !digits(p, 2, &m) || *(*p)++ != ':' || !digits(p, 2, &s))
        return false;
    if (h > 23 || m > 59 || s > 60) /* second 60: a leap second, taken as the next one */
        return false;
    int64_t fraction;
    if (!fraction_part(p, &fraction))
        return false;
    *us = ((int64_t)(h * 60 + m) * 60 + s) * US_PER_S + fraction;
    return true;
}

static bool zone_part(const char **p, int64_t *offset_us, bool *none)
{
    *offset_us = 0;
    *none = false;
    if (**p == 'Z' || **p == 'z') {
        ++*p;
    } else if (**p == '+' || **p == '-') {
        int sign = *(*p)++ == '-' ? -1 : 1, h, m = 0;
        if (!digits(p, 2, &h))
            return false;
        bool minutes = **p == ':' || isdigit((unsigned char)**p);
        if (**p == ':')
            ++*p;
        if (minutes && !digits(p, 2, &m))
            return false;
        if (h > 14 || m > 59)
            return false;
        *offset_us = sign * (int64_t)(h * 60 + m) * 60 * US_PER_S;
    } else {
        *none = true;
    }
    return true;
}

bool time_parse(const char *text, int64_t *us, bool *no_zone)
{
    const char *p = text;
    int32_t day;
    int64_t in_day = 0, offset = 0;
    bool none = true;

    if (!date_part(&p, &day))
        return false;
    if (*p == 'T' || *p == 't' || *p == ' ') {
        p++;
        if (!clock_part(&p, &in_day) || !zone_part(&p, &offset, &none))
            return false;
    }
    if (*p)
        return false;
    if (no_zone)
        *no_zone = none;
    *us = day_start_us(day) + in_day - offset;
    return true;
}

/* Since midnight UTC, also before 1970. */
static int64_t in_day_us(int64_t us)
{
    int64_t rest = us % US_PER_DAY;
    return rest < 0 ? rest + US_PER_DAY : rest;
}

void time_format(int64_t us, char text[static TIME_TEXT])
{
    int32_t day = day_of(us);
    int64_t rest = in_day_us(us), fraction = rest % US_PER_S;
    int s = (int)(rest / US_PER_S);
    char date[DAY_TEXT];
    day_format(day, date);
    int n = snprintf(text, TIME_TEXT, "%sT%02d:%02d:%02d", date, s / 3600, s / 60 % 60, s % 60);
    if (fraction)
        n += snprintf(text + n, (size_t)(TIME_TEXT - n), ".%06d", (int)fraction);
    snprintf(text + n, (size_t)(TIME_TEXT - n), "Z");
}

bool day_parse(const char *text, int32_t *day)
{
    const char *p = text;
    return date_part(&p, day) && !*p;
}

void day_format(int32_t day, char text[static DAY_TEXT])
{
    time_t t = (time_t)day * 86400;
    struct tm tm;
    gmtime_r(&t, &tm);
    snprintf(text, DAY_TEXT, "%04d-%02d-%02d", tm.tm_year + 1900, tm.tm_mon + 1, tm.tm_mday);
}

int32_t day_of(int64_t us)
{
    int64_t day = us / US_PER_DAY;
    return (int32_t)(us % US_PER_DAY < 0 ? day - 1 : day);
}

int64_t day_start_us(int32_t day)
{
    return day * US_PER_DAY;
}

bool zone_known(const char *zone)
{
    if (!*zone || *zone == '/' || strstr(zone, "..") || strlen(zone) > 64)
        return false;
    char path[128];
    snprintf(path, sizeof path, "/usr/share/zoneinfo/%s", zone);
    struct stat st;
    return stat(path, &st) == 0 && S_ISREG(st.st_mode);
}

void time_local(int64_t us, const char *zone, const char *format, char *out, size_t size)
{
    const char *own = getenv("TZ");
    char *kept = own ? strdup(own) : NULL;
    setenv("TZ", zone, 1);
    tzset();

    time_t t = (time_t)(day_of(us) * INT64_C(86400) + in_day_us(us) / US_PER_S);
    struct tm tm;
    localtime_r(&t, &tm);
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral" /* the format is the caller's */
    if (!strftime(out, size, format, &tm) && size)
        out[0] = '\0';
#pragma GCC diagnostic pop

    if (kept)
        setenv("TZ", kept, 1);
    else
        unsetenv("TZ");
    tzset();
    free(kept);
}
