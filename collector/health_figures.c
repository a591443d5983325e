#include "health_figures.h"

#include "openmetrics.h"

#include <inttypes.h>
#include <stddef.h>
#include <string.h>

enum form { WHOLE, MOMENT, REAL };

/* A figure stands in struct source_health at 'at', or is worked out by 'of'. */
struct figure {
    const char *name; /* in JSON */
    enum form form;
    double scale; /* of REAL, in JSON */
    size_t at;
    int64_t (*of)(const struct source_health *s, int64_t now_us, int64_t clock_stepped_us);
    const char *metric, *type, *unit, *help; /* metric NULL: none */
    double metric_scale;
};

static int64_t age_of(const struct source_health *s, int64_t now_us, int64_t clock_stepped_us)
{
    (void)clock_stepped_us;
    return health_age_us(s, now_us);
}

static int64_t lag_of(const struct source_health *s, int64_t now_us, int64_t clock_stepped_us)
{
    (void)now_us;
    (void)clock_stepped_us;
    return health_lag(s);
}

static int64_t share_of(const struct source_health *s, int64_t now_us, int64_t clock_stepped_us)
{
    (void)now_us;
    (void)clock_stepped_us;
    return health_lag_share(s);
}

#define AT(member) .at = offsetof(struct source_health, member)

static const struct figure figures[] = {
    {"period_s", WHOLE, AT(period_s), .metric = "source_period_seconds", .type = "gauge", .unit = "seconds",
     .help = "How often the source is to be asked.", .metric_scale = 1},
    {"last_contact_at", MOMENT, AT(contact_us), .metric = "source_last_contact_time_seconds", .type = "gauge",
     .unit = "seconds", .help = "When the source last answered, in Unix time.", .metric_scale = 1e-6},
    {"age_s", REAL, .scale = 1e-6, .of = age_of, .metric = "source_age_seconds", .type = "gauge",
     .unit = "seconds", .help = "How long ago the source last answered.", .metric_scale = 1e-6},
    {"late_s", REAL, .scale = 1e-6, .of = health_late_us, .metric = "source_late_seconds", .type = "gauge",
     .unit = "seconds", .help = "By how long the source is overdue.", .metric_scale = 1e-6},
    {"next_sequence", WHOLE, AT(next_sequence)},
    {"last_sequence", WHOLE, AT(last_sequence)},
    {"buffer_size", WHOLE, AT(buffer_size)},
    {"lag", WHOLE, .of = lag_of, .metric = "source_lag_observations", .type = "gauge",
     .help = "Observations that the source holds and that were not read.", .metric_scale = 1},
    {"lag_of_buffer", REAL, .scale = 1e-6, .of = share_of, .metric = "source_lag_ratio", .type = "gauge",
     .unit = "ratio", .help = "The same as a share of what the source can hold.", .metric_scale = 1e-6},
    {"clock_offset_ms", WHOLE, AT(clock_offset_ms), .metric = "source_clock_offset_seconds", .type = "gauge",
     .unit = "seconds", .help = "Clock of the source minus ours.", .metric_scale = 1e-3},
    {"failures", WHOLE, AT(failures), .metric = "source_failures", .type = "gauge",
     .help = "Failed polls of the source in a row.", .metric_scale = 1},
    {"bindings", WHOLE, AT(bindings), .metric = "source_bindings", .type = "gauge",
     .help = "Items of the source that are bound.", .metric_scale = 1},
    {"gaps_24h", WHOLE, AT(gaps), .metric = "source_gaps", .type = "counter",
     .help = "Spans of lost observations of the source.", .metric_scale = 1},
    {"set_aside_24h", WHOLE, AT(set_aside)},
    {"certificate_expires_at", MOMENT, AT(certificate_us), .metric = "source_certificate_expiry_time_seconds",
     .type = "gauge", .unit = "seconds", .help = "When the certificate of the source expires, in Unix time.",
     .metric_scale = 1e-6},
};
enum { FIGURES = sizeof figures / sizeof *figures };

static const struct {
    const char *name;
    size_t at;
} texts[] = {
    {"site", offsetof(struct source_health, site)},
    {"source", offsetof(struct source_health, source)},
    {"url", offsetof(struct source_health, url)},
    {"last_error", offsetof(struct source_health, last_error)},
};
enum { TEXTS = sizeof texts / sizeof *texts };

static int64_t value_of(const struct figure *f, const struct source_health *s, int64_t now_us,
                        int64_t clock_stepped_us)
{
    int64_t value;
    if (f->of)
        return f->of(s, now_us, clock_stepped_us);
    memcpy(&value, (const char *)s + f->at, sizeof value);
    return value;
}

json_t *health_json_text(const char *text)
{
    return text ? json_string(text) : json_null();
}

json_t *health_json_moment(int64_t us)
{
    char text[TIME_TEXT];
    if (us == TIME_UNKNOWN)
        return json_null();
    time_format(us, text);
    return json_string(text);
}

static json_t *figure_json(const struct figure *f, int64_t value)
{
    if (value == HEALTH_UNKNOWN)
        return json_null();
    if (f->form == MOMENT)
        return health_json_moment(value);
    return f->form == WHOLE ? json_integer(value) : json_real((double)value * f->scale);
}

static json_t *refusals_json(const struct refusals *r)
{
    json_t *kinds = json_object();
    for (size_t k = 0; r && k < r->count; k++)
        json_object_set_new(kinds, r->kinds[k].kind, json_integer(r->kinds[k].count));
    return kinds;
}

json_t *health_figures_json(const struct source_health *s, int64_t now_us, int64_t clock_stepped_us)
{
    json_t *object = json_object();
    for (int k = 0; k < TEXTS; k++) {
        const char *text;
        memcpy(&text, (const char *)s + texts[k].at, sizeof text);
        json_object_set_new(object, texts[k].name, health_json_text(text));
    }
    for (int k = 0; k < FIGURES; k++)
        json_object_set_new(object, figures[k].name,
                            figure_json(&figures[k], value_of(&figures[k], s, now_us, clock_stepped_us)));
    json_object_set_new(object, "refusals_24h",
                        s->set_aside == HEALTH_UNKNOWN ? json_null() : refusals_json(s->refusals));
    return object;
}

static int64_t figure_read(const struct figure *f, const json_t *value)
{
    int64_t us;
    if (f->form == MOMENT)
        return json_is_string(value) && time_parse(json_string_value(value), &us, NULL) ? us : TIME_UNKNOWN;
    return json_is_integer(value) ? json_integer_value(value) : HEALTH_UNKNOWN;
}

struct source_health health_figures_read(const json_t *object, struct arena *mem)
{
    struct source_health s = {0};
    for (int k = 0; k < TEXTS; k++) {
        const char *text = arena_strdup(mem, json_string_value(json_object_get(object, texts[k].name)));
        memcpy((char *)&s + texts[k].at, &text, sizeof text);
    }
    for (int k = 0; k < FIGURES; k++) {
        int64_t value = figure_read(&figures[k], json_object_get(object, figures[k].name));
        if (!figures[k].of)
            memcpy((char *)&s + figures[k].at, &value, sizeof value);
    }
    return s;
}

static void begin_sample(FILE *out, const char *metric, const char *suffix, const struct source_health *s)
{
    fprintf(out, "vaneward_%s%s{site=", metric, suffix);
    openmetrics_label(out, s->site);
    fputs(",source=", out);
    openmetrics_label(out, s->source);
}

static void figure_sample(FILE *out, const struct figure *f, const struct source_health *s, int64_t value)
{
    begin_sample(out, f->metric, strcmp(f->type, "counter") == 0 ? "_total" : "", s);
    if (f->metric_scale >= 1)
        fprintf(out, "} %" PRId64 "\n", value);
    else
        fprintf(out, "} %.6f\n", (double)value * f->metric_scale);
}

static void refusal_samples(FILE *out, const struct source_health *sources, size_t count)
{
    openmetrics_family(out, "source_set_aside", "counter", NULL,
                       "Observations of the source that could not be used, by kind.");
    for (size_t n = 0; n < count; n++) {
        const struct refusals *r = sources[n].refusals;
        for (size_t k = 0; r && k < r->count; k++) {
            begin_sample(out, "source_set_aside", "_total", &sources[n]);
            fputs(",kind=", out);
            openmetrics_label(out, r->kinds[k].kind);
            fprintf(out, "} %" PRId64 "\n", r->kinds[k].count);
        }
    }
}

void health_figures_metrics(FILE *out, const struct source_health *sources, size_t count, int64_t now_us,
                            int64_t clock_stepped_us)
{
    for (int k = 0; k < FIGURES; k++) {
        const struct figure *f = &figures[k];
        if (!f->metric)
            continue;
        openmetrics_family(out, f->metric, f->type, f->unit, f->help);
        for (size_t n = 0; n < count; n++) {
            int64_t value = value_of(f, &sources[n], now_us, clock_stepped_us);
            if (value != HEALTH_UNKNOWN)
                figure_sample(out, f, &sources[n], value);
        }
    }
    refusal_samples(out, sources, count);
}
