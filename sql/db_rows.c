#include "db_binary.h"
#include "db_link.h"

#include "base/clock.h"
#include "base/text.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* Later years do not fit into microseconds. */
enum { LAST_YEAR = 290000 };

size_t rows_count(const struct rows *r)
{
    return (size_t)PQntuples(r->result);
}

void rows_free(struct rows *r)
{
    if (!r)
        return;
    PQclear(r->result);
    free(r);
}

bool rows_null(const struct rows *r, size_t row, int column)
{
    if (row >= rows_count(r) || column < 0 || column >= PQnfields(r->result))
        BUG("row %zu, column %d of a result of %zu rows and %d columns", row, column, rows_count(r),
            PQnfields(r->result));
    return PQgetisnull(r->result, (int)row, column);
}

/* The cell as the server sent it; NULL for null. */
static const char *cell(const struct rows *r, size_t row, int column)
{
    return rows_null(r, row, column) ? NULL : PQgetvalue(r->result, (int)row, column);
}

static bool is_binary(const struct rows *r, int column)
{
    return PQfformat(r->result, column) == 1;
}

static _Noreturn void wrong_type(const struct rows *r, int column, const char *text, const char *type)
{
    BUG("column '%s' is no %s: '%s'", PQfname(r->result, column), type,
        is_binary(r, column) ? "in binary form" : text);
}

/* The types of the server (pg_type.dat) whose binary form can be read here. */
enum { OID_INT8 = 20, OID_INT2 = 21, OID_INT4 = 23, OID_TEXT = 25, OID_FLOAT8 = 701, OID_VARCHAR = 1043 };

const char *rows_text(const struct rows *r, size_t row, int column)
{
    const char *text = cell(r, row, column);
    if (text && is_binary(r, column) && PQftype(r->result, column) != OID_TEXT &&
        PQftype(r->result, column) != OID_VARCHAR)
        wrong_type(r, column, text, "text");
    return text;
}

static int64_t binary_int(const struct rows *r, int column, const char *bytes)
{
    switch (PQftype(r->result, column)) {
    case OID_INT8:
        return binary_64(bytes);
    case OID_INT4:
        return binary_32(bytes);
    case OID_INT2:
        return binary_16(bytes);
    default:
        wrong_type(r, column, bytes, "whole number");
    }
}

static double binary_real(const struct rows *r, int column, const char *bytes)
{
    if (PQftype(r->result, column) != OID_FLOAT8)
        wrong_type(r, column, bytes, "number");
    return binary_double(bytes);
}

int64_t rows_int(const struct rows *r, size_t row, int column)
{
    const char *text = cell(r, row, column);
    int64_t value = 0;
    if (text && is_binary(r, column))
        return binary_int(r, column, text);
    if (text && !text_int64(text, &value))
        wrong_type(r, column, text, "whole number");
    return value;
}

double rows_real(const struct rows *r, size_t row, int column)
{
    const char *text = cell(r, row, column);
    if (!text)
        return (double)NAN;
    if (is_binary(r, column))
        return binary_real(r, column, text);
    char *end;
    double value = strtod(text, &end); /* also the server's NaN and Infinity */
    if (end == text || *end)
        wrong_type(r, column, text, "number");
    return value;
}

bool rows_bool(const struct rows *r, size_t row, int column)
{
    const char *text = cell(r, row, column);
    if (text && is_binary(r, column))
        return *text != 0;
    if (text && strcmp(text, "t") != 0 && strcmp(text, "f") != 0)
        wrong_type(r, column, text, "boolean");
    return text && *text == 't';
}

/* The digits at *p, any number of them. */
static int number(const char **p)
{
    int value = 0;
    for (; isdigit((unsigned char)**p); ++*p)
        value = value * 10 + (**p - '0');
    return value;
}

/* The server's ISO date, of any year: "2026-11-25", and before year 1 with " BC" at the end of the text. */
static const char *date_part(const char *text, int64_t *day, int *year)
{
    const char *p = text;
    struct tm tm = {0};
    *year = number(&p);
    if (p == text || *p++ != '-')
        return NULL;
    tm.tm_mon = number(&p) - 1;
    if (*p++ != '-')
        return NULL;
    tm.tm_mday = number(&p);
    if (strstr(p, " BC"))
        *year = 1 - *year;
    tm.tm_year = *year - 1900;
    *day = timegm(&tm) / 86400;
    return p;
}

int32_t rows_day(const struct rows *r, size_t row, int column)
{
    const char *text = cell(r, row, column);
    if (text && is_binary(r, column))
        return binary_day(text);
    if (!text || strstr(text, "infinity"))
        return DAY_UNKNOWN;
    int64_t day;
    int year;
    const char *p = date_part(text, &day, &year);
    if (!p || (*p && strcmp(p, " BC") != 0))
        wrong_type(r, column, text, "day");
    return (int32_t)day;
}

/* "16:20:00.123456+00" in the session's zone, UTC; a timestamp without time zone has no offset. */
static const char *clock_part(const char *p, int64_t *us)
{
    int64_t seconds = number(&p);
    for (int k = 0; k < 2; k++) {
        if (*p++ != ':')
            return NULL;
        seconds = seconds * 60 + number(&p);
    }
    *us = seconds * US_PER_S;
    if (*p == '.') {
        p++;
        for (int64_t unit = US_PER_S / 10; isdigit((unsigned char)*p); unit /= 10)
            *us += unit * (*p++ - '0');
    }
    return strncmp(p, "+00", 3) == 0 ? p + 3 : p;
}

int64_t rows_moment(const struct rows *r, size_t row, int column)
{
    const char *text = cell(r, row, column);
    if (text && is_binary(r, column))
        return binary_moment(text);
    if (!text || strstr(text, "infinity"))
        return TIME_UNKNOWN;
    int64_t day, in_day = 0;
    int year;
    const char *p = date_part(text, &day, &year);
    if (p && *p == ' ' && isdigit((unsigned char)p[1]))
        p = clock_part(p + 1, &in_day);
    if (!p || (*p && strcmp(p, " BC") != 0))
        wrong_type(r, column, text, "moment");
    return year > LAST_YEAR ? TIME_UNKNOWN : day * US_PER_DAY + in_day;
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

const uint8_t *rows_bytes(const struct rows *r, size_t row, int column, struct arena *mem, size_t *bytes)
{
    const char *text = cell(r, row, column);
    *bytes = 0;
    if (!text)
        return NULL;
    if (is_binary(r, column)) {
        *bytes = (size_t)PQgetlength(r->result, (int)row, column);
        return (const uint8_t *)arena_strndup(mem, text, *bytes);
    }
    if (strncmp(text, "\\x", 2) != 0)
        wrong_type(r, column, text, "bytea");
    size_t n = ((size_t)PQgetlength(r->result, (int)row, column) - 2) / 2;
    uint8_t *out = arena_alloc(mem, n);
    for (size_t i = 0; i < n; i++) {
        int high = hex_digit(text[2 + 2 * i]), low = hex_digit(text[3 + 2 * i]);
        if (high < 0 || low < 0)
            wrong_type(r, column, text, "bytea");
        out[i] = (uint8_t)(high << 4 | low);
    }
    *bytes = n;
    return out;
}
