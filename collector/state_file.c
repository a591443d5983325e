#include "state_file.h"

#include "health_figures.h"
#include "whole_file.h"

#include <stdlib.h>
#include <string.h>

static const char FILE_NAME[] = "collector-state.json";

const char *state_file_path(const char *dir, struct arena *mem)
{
    return arena_printf(mem, "%s/%s", dir, FILE_NAME);
}

static json_t *sources_json(const struct state *s)
{
    json_t *list = json_array();
    for (size_t k = 0; k < s->source_count; k++)
        json_array_append_new(list, health_figures_json(&s->sources[k], s->at_us, s->clock_stepped_us));
    return list;
}

bool state_file_write(const struct state *s, const char *path, struct err *err)
{
    json_t *root = json_pack(
        "{s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:I, s:o}", "collector", s->collector, "version",
        s->version, "at", health_json_moment(s->at_us), "started_at", health_json_moment(s->started_us),
        "clock_stepped_at", health_json_moment(s->clock_stepped_us), "database_away",
        health_json_text(s->database_away), "primary_refused", health_json_text(s->primary_refused),
        "primary_refused_at", health_json_moment(s->primary_refused_us), "spool_dropped",
        (json_int_t)s->spool_dropped, "spool_damaged", (json_int_t)s->spool_damaged, "sources",
        sources_json(s));
    char *text = root ? json_dumps(root, JSON_COMPACT) : NULL;
    json_decref(root);
    if (!text)
        err_no_memory();
    bool ok = whole_file_write(path, WHOLE_FILE_SHOWN, text, strlen(text), err);
    free(text);
    return ok;
}

static int64_t moment_of(const json_t *root, const char *name)
{
    const char *text = json_string_value(json_object_get(root, name));
    int64_t us;
    return text && time_parse(text, &us, NULL) ? us : TIME_UNKNOWN;
}

static void read_sources(const json_t *list, struct arena *mem, struct state *s)
{
    s->sources = arena_array(mem, struct source_health, json_array_size(list));
    for (size_t k = 0; k < json_array_size(list); k++) {
        struct source_health one = health_figures_read(json_array_get(list, k), mem);
        if (one.site && one.source && one.url)
            s->sources[s->source_count++] = one;
    }
}

bool state_file_read(const char *path, struct arena *mem, struct state *s)
{
    json_t *root = json_load_file(path, 0, NULL);
    const char *collector = json_string_value(json_object_get(root, "collector"));
    *s = (struct state){
        .at_us = moment_of(root, "at"),
        .started_us = moment_of(root, "started_at"),
        .clock_stepped_us = moment_of(root, "clock_stepped_at"),
        .collector = arena_strdup(mem, collector),
        .version = arena_strdup(mem, json_string_value(json_object_get(root, "version"))),
        .database_away = arena_strdup(mem, json_string_value(json_object_get(root, "database_away"))),
        .primary_refused = arena_strdup(mem, json_string_value(json_object_get(root, "primary_refused"))),
        .primary_refused_us = moment_of(root, "primary_refused_at"),
        .spool_dropped = json_integer_value(json_object_get(root, "spool_dropped")),
        .spool_damaged = json_integer_value(json_object_get(root, "spool_damaged")),
    };
    read_sources(json_object_get(root, "sources"), mem, s);
    json_decref(root);
    return s->collector && s->at_us != TIME_UNKNOWN;
}
