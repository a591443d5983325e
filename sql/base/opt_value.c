#include "base/opt_value.h"

#include "base/clock.h"
#include "base/text.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
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

static const char *moment_text(int64_t us, struct arena *mem)
{
    char text[TIME_TEXT];
    if (us == TIME_UNKNOWN || us == 0)
        return "";
    time_format(us, text);
    return arena_strdup(mem, text);
}

/* Empty when there is none to tell: a default outside the limits (not a number is) stands for "not given". */
static const char *default_text(const struct opt *o, struct arena *mem)
{
    switch (o->type) {
    case OPT_FLAG:
        break;
    case OPT_TEXT: {
        const char *text = *(const char **)o->target;
        return text ? text : "";
    }
    case OPT_INT: {
        int64_t value = *(int64_t *)o->target;
        return within(o, (double)value) ? arena_printf(mem, "%lld", (long long)value) : "";
    }
    case OPT_REAL: {
        double value = *(double *)o->target;
        return !isnan(value) && within(o, value) ? arena_printf(mem, "%.12g", value) : "";
    }
    case OPT_MOMENT:
        return moment_text(*(int64_t *)o->target, mem);
    }
    return "";
}

const char *opt_value_help(const struct opt *o, struct arena *mem)
{
    char limits[80] = "";
    if (has_limits(o))
        limits_text(o, limits, sizeof limits);
    const char *value = default_text(o, mem);
    if (!limits[0] && !value[0])
        return o->help;
    return arena_printf(mem, "%s (%s%s%s%s)", o->help, limits, limits[0] && value[0] ? "; " : "",
                        value[0] ? "default: " : "", value);
}

static int folded(char c)
{
    return c == '-' ? '_' : tolower((unsigned char)c);
}

bool opt_value_named(const struct opt *o, const char *name)
{
    const char *a = o->name, *b = name;
    while (*a && folded(*a) == folded(*b)) {
        a++;
        b++;
    }
    return !*a && !*b;
}
