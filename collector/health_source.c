#include "health_source.h"

#include <jansson.h>

/* A source is late when it has been silent for so many periods and so many seconds more. */
enum { LATE_PERIODS = 3, LATE_S = 60 };

/* Columns of q_health_sources. */
enum {
    SITE,
    SOURCE,
    URL,
    PERIOD,
    CONTACT,
    NEXT,
    LAST,
    BUFFER,
    OFFSET,
    FAILURES,
    LAST_ERROR,
    BINDINGS,
    GAPS,
    SET_ASIDE,
    SET_ASIDE_WHY,
    REFUSALS,
    CERTIFICATE,
    LINK_DOWN
};

static int64_t number(const struct rows *r, size_t row, int column)
{
    return rows_null(r, row, column) ? HEALTH_UNKNOWN : rows_int(r, row, column);
}

/* Kinds and counts, which the database gives as a JSON object. */
static const struct refusals *refusals_of(const struct rows *r, size_t row, struct arena *mem)
{
    const char *text = rows_text(r, row, REFUSALS), *kind;
    json_t *kinds = text ? json_loads(text, 0, NULL) : NULL, *count;
    if (!kinds)
        return NULL;
    struct refusals *refusals = arena_alloc(mem, sizeof *refusals);
    *refusals = (struct refusals){.count = 0};
    json_object_foreach(kinds, kind, count) refusals_add(refusals, kind, json_integer_value(count));
    json_decref(kinds);
    return refusals;
}

struct source_health *health_sources_of_rows(const struct rows *r, struct arena *mem)
{
    size_t count = rows_count(r);
    struct source_health *all = arena_array(mem, struct source_health, count);
    for (size_t k = 0; k < count; k++)
        all[k] = (struct source_health){
            .site = rows_text(r, k, SITE),
            .source = rows_text(r, k, SOURCE),
            .url = rows_text(r, k, URL),
            .last_error = rows_text(r, k, LAST_ERROR),
            .set_aside_why = rows_text(r, k, SET_ASIDE_WHY),
            .link_down = rows_text(r, k, LINK_DOWN),
            .period_s = number(r, k, PERIOD),
            .contact_us = rows_moment(r, k, CONTACT),
            .next_sequence = number(r, k, NEXT),
            .last_sequence = number(r, k, LAST),
            .buffer_size = number(r, k, BUFFER),
            .clock_offset_ms = number(r, k, OFFSET),
            .failures = number(r, k, FAILURES),
            .bindings = number(r, k, BINDINGS),
            .gaps = number(r, k, GAPS),
            .set_aside = number(r, k, SET_ASIDE),
            .certificate_us = rows_moment(r, k, CERTIFICATE),
            .refusals = refusals_of(r, k, mem),
        };
    return all;
}

int64_t health_lag(const struct source_health *s)
{
    if (s->last_sequence == HEALTH_UNKNOWN || s->next_sequence == HEALTH_UNKNOWN)
        return HEALTH_UNKNOWN;
    int64_t lag = s->last_sequence - s->next_sequence + 1;
    return lag > 0 ? lag : 0;
}

int64_t health_lag_share(const struct source_health *s)
{
    int64_t lag = health_lag(s);
    if (lag == HEALTH_UNKNOWN || s->buffer_size <= 0)
        return HEALTH_UNKNOWN;
    return (int64_t)(1e6 * (double)lag / (double)s->buffer_size);
}

int64_t health_age_us(const struct source_health *s, int64_t now_us)
{
    return s->contact_us == TIME_UNKNOWN ? HEALTH_UNKNOWN : now_us - s->contact_us;
}

int64_t health_late_us(const struct source_health *s, int64_t now_us, int64_t clock_stepped_us)
{
    int64_t since_us = s->contact_us;
    if (since_us == TIME_UNKNOWN)
        return HEALTH_UNKNOWN;
    if (clock_stepped_us != TIME_UNKNOWN && clock_stepped_us <= now_us && clock_stepped_us > since_us)
        since_us = clock_stepped_us;
    int64_t late_us = now_us - since_us - (LATE_PERIODS * s->period_s + LATE_S) * US_PER_S;
    return late_us > 0 ? late_us : 0;
}
