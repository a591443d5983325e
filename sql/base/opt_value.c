#include "base/opt_value.h"

#include "base/clock.h"
#include "base/text.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool has_limits(const struct opt *o)
{
    return o->min != 0 || o->max != 0;
}

/* More digits than a limit in a table has. */
static void limits_text(const struct opt *o, char *out, size_t size)
{
    snprintf(out, size, "%.12g to %.12g", o->min, o->max);
}

static bool within(const struct opt *o, double value)
{
    return !has_limits(o) || (value >= o->min && value <= o->max);
}

static bool out_of_range(const struct opt *o, const char *text, const char *place, enum err_kind kind,
                         struct err *err)
{
    char limits[80];
    limits_text(o, limits, sizeof limits);
    return err_set(err, kind, "%s: '%s' is out of range; allowed: %s", place, text, limits);
}

static bool set_flag(const struct opt *o, const char *text, const char *place, enum err_kind kind,
                     struct err *err)
{
    bool *target = o->target;
    return text_yes_no(text, target) || err_set(err, kind, "%s: '%s' is neither yes nor no", place, text);
}

static bool set_int(const struct opt *o, const char *text, const char *place, enum err_kind kind,
                    struct err *err)
{
    int64_t value;
    if (!text_int64(text, &value))
        return err_set(err, kind, "%s: '%s' is not a whole number", place, text);
    if (!within(o, (double)value))
        return out_of_range(o, text, place, kind, err);
    *(int64_t *)o->target = value;
    return true;
}

static bool set_real(const struct opt *o, const char *text, const char *place, enum err_kind kind,
                     struct err *err)
{
    double value;
    if (!text_double(text, &value))
        return err_set(err, kind, "%s: '%s' is not a number", place, text);
    if (!within(o, value))
        return out_of_range(o, text, place, kind, err);
    *(double *)o->target = value;
    return true;
}

static bool set_moment(const struct opt *o, const char *text, const char *place, enum err_kind kind,
                       struct err *err)
{
    int64_t value;
    if (!time_parse(text, &value, NULL))
        return err_set(err, kind, "%s: '%s' is not a moment like 2026-03-02T06:00:00Z or 2026-03-02", place,
                       text);
    *(int64_t *)o->target = value;
    return true;
}

bool opt_value_set(const struct opt *o, const char *text, const char *place, enum err_kind kind,
                   struct err *err)
{
    switch (o->type) {
    case OPT_FLAG:
        return set_flag(o, text, place, kind, err);
    case OPT_TEXT:
        *(const char **)o->target = text;
        return true;
    case OPT_INT:
        return set_int(o, text, place, kind, err);
    case OPT_REAL:
        return set_real(o, text, place, kind, err);
    case OPT_MOMENT:
        return set_moment(o, text, place, kind, err);
    }
    BUG("option '%s' has type %d", o->name, (int)o->type);
}

/* Empty when there is none to tell: a default outside the limits stands for "not given". */
static void default_text(const struct opt *o, char *out, size_t size)
{
    out[0] = '\0';
    switch (o->type) {
    case OPT_FLAG:
        break;
    case OPT_TEXT: {
        const char *text = *(const char **)o->target;
        snprintf(out, size, "%s", text ? text : "");
        break;
    }
    case OPT_INT: {
        int64_t value = *(int64_t *)o->target;
        if (within(o, (double)value))
            snprintf(out, size, "%lld", (long long)value);
        break;
    }
    case OPT_REAL: {
        double value = *(double *)o->target; /* not a number: outside any limits */
        if (value == value && within(o, value))
            snprintf(out, size, "%.12g", value);
        break;
    }
    case OPT_MOMENT: {
        int64_t value = *(int64_t *)o->target;
        char text[TIME_TEXT];
        if (value != TIME_UNKNOWN && value != 0) {
            time_format(value, text);
            snprintf(out, size, "%s", text);
        }
        break;
    }
    }
}

char *opt_value_help(const struct opt *o)
{
    char limits[80] = "", value[200];
    if (has_limits(o))
        limits_text(o, limits, sizeof limits);
    default_text(o, value, sizeof value);

    const char *comma = limits[0] && value[0] ? "; " : "";
    bool any = limits[0] || value[0];
    char *help;
    int n = asprintf(&help, "%s%s%s%s%s%s%s", o->help, any ? " (" : "", limits, comma,
                     value[0] ? "default: " : "", value, any ? ")" : "");
    if (n < 0)
        exit(71);
    return help;
}

bool opt_value_named(const struct opt *o, const char *name)
{
    const char *a = o->name, *b = name;
    for (; *a && *b; a++, b++) {
        int ca = *a == '-' ? '_' : tolower((unsigned char)*a);
        int cb = *b == '-' ? '_' : tolower((unsigned char)*b);
        if (ca != cb)
            return false;
    }
    return !*a && !*b;
}
