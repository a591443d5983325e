#include "db_link.h"

#include "base/clock.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

/* The server's form of a day, for any year: before year 1 it counts backwards and says BC. */
static int date_text(int32_t day, char *room, const char **era)
{
    time_t t = (time_t)day * 86400;
    struct tm tm;
    gmtime_r(&t, &tm);
    int year = tm.tm_year + 1900;
    *era = year > 0 ? "" : " BC";
    return snprintf(room, VALUE_TEXT, "%04d-%02d-%02d", year > 0 ? year : 1 - year, tm.tm_mon + 1,
                    tm.tm_mday);
}

static const char *day_text(int64_t day, char *room)
{
    if (day == DAY_UNKNOWN)
        return NULL;
    const char *era;
    int n = date_text((int32_t)day, room, &era);
    snprintf(room + n, (size_t)(VALUE_TEXT - n), "%s", era);
    return room;
}

static const char *moment_text(int64_t us, char *room)
{
    if (us == TIME_UNKNOWN)
        return NULL;
    const char *era;
    int64_t rest = us % US_PER_DAY;
    rest += rest < 0 ? US_PER_DAY : 0;
    int s = (int)(rest / US_PER_S), n = date_text(day_of(us), room, &era);
    snprintf(room + n, (size_t)(VALUE_TEXT - n), " %02d:%02d:%02d.%06d+00%s", s / 3600, s / 60 % 60, s % 60,
             (int)(rest % US_PER_S), era);
    return room;
}

const char *value_text(const struct db_value *v, char room[static VALUE_TEXT])
{
    switch (v->type) {
    case DB_TEXT:
        return v->pointer;
    case DB_INT:
        snprintf(room, VALUE_TEXT, "%" PRId64, v->integer);
        return room;
    case DB_REAL:
        if (isnan(v->real))
            return NULL;
        snprintf(room, VALUE_TEXT, "%.17g", v->real);
        return room;
    case DB_BOOL:
        return v->integer ? "t" : "f";
    case DB_MOMENT:
        return moment_text(v->integer, room);
    case DB_DAY:
        return day_text(v->integer, room);
    case DB_NULL:
    case DB_BYTES:
    case DB_ARRAY:
        break;
    }
    return NULL;
}

/* In an array literal a text stands in quotes, with \ before quotes and backslashes. */
static void add_quoted(struct buffer *b, const char *s)
{
    buffer_add(b, "\"", 1);
    for (; *s; s++) {
        if (*s == '"' || *s == '\\')
            buffer_add(b, "\\", 1);
        buffer_add(b, s, 1);
    }
    buffer_add(b, "\"", 1);
}

struct db_value db_text_array(struct arena *mem, const char *const *strings, size_t count)
{
    struct buffer b = {0};
    buffer_add(&b, "{", 1);
    for (size_t i = 0; i < count; i++) {
        if (i)
            buffer_add(&b, ",", 1);
        if (strings[i])
            add_quoted(&b, strings[i]);
        else
            buffer_add(&b, "NULL", 4);
    }
    buffer_add(&b, "}", 1);
    const char *literal = arena_strndup(mem, b.data, b.used);
    buffer_free(&b);
    return db_text(literal);
}
