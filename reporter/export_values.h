/*
 * Values as JSON: unknown ones are null.
 */
#ifndef REPORTER_EXPORT_VALUES_H
#define REPORTER_EXPORT_VALUES_H

#include "base/clock.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>

static inline json_t *number(double x)
{
    return isfinite(x) ? json_real(x) : json_null();
}

static inline json_t *text(const char *s)
{
    return s ? json_string(s) : json_null();
}

static inline json_t *moment(int64_t us)
{
    char at[TIME_TEXT];
    time_format(us, at);
    return json_string(at);
}

static inline json_t *day(int32_t d)
{
    char at[DAY_TEXT];
    if (d == DAY_UNKNOWN)
        return json_null();
    day_format(d, at);
    return json_string(at);
}

static inline json_t *numbers(const double *x, size_t n)
{
    json_t *list = json_array();
    for (size_t i = 0; i < n; i++)
        json_array_append_new(list, number(x[i]));
    return list;
}

#define FORM (JSON_INDENT(2) | JSON_REAL_PRECISION(15))

static inline bool end_output(bool ok, FILE *out, struct err *err)
{
    return (ok && fputc('\n', out) != EOF && fflush(out) == 0) ||
           err_set(err, ERR_OUTPUT, "cannot write the results");
}

/* Writes and gives the value back. */
static inline bool dump(json_t *root, FILE *out, struct err *err)
{
    bool ok = json_dumpf(root, out, FORM) == 0;
    json_decref(root);
    return end_output(ok, out, err);
}

#endif
