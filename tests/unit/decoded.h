/*
 * Test cases of the decoders as folders: 'input.*' beside 'expected', a text that says all that a document or
 * a model came to, one thing a line. Cases whose name begins with "probe-" are models.
 */
#ifndef TESTS_DECODED_H
#define TESTS_DECODED_H

#include "observation.h"

#include <check.h>

#include <dirent.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_CASES = 200, MAX_CASE_NAME = 80, ARENA_BYTES = 256 << 20 };

typedef bool decode_document_fn(const char *, size_t, struct arena *, struct document *, struct err *);
typedef bool decode_model_fn(const char *, size_t, struct arena *, struct model *, struct err *);

struct cases {
    const char *folder;
    char name[MAX_CASES][MAX_CASE_NAME];
    int count;
};

static inline int by_name(const void *a, const void *b)
{
    return strcmp(a, b);
}

static inline void find_cases(struct cases *c, const char *folder)
{
    DIR *dir = opendir(folder);
    if (!dir) { /* before any test runs */
        fprintf(stderr, "cannot open '%s'\n", folder);
        exit(EXIT_FAILURE);
    }
    c->folder = folder;
    c->count = 0;
    for (struct dirent *e; (e = readdir(dir));)
        if (e->d_name[0] != '.' && c->count++ < MAX_CASES)
            snprintf(c->name[c->count - 1], MAX_CASE_NAME, "%s", e->d_name);
    closedir(dir);
    if (!c->count || c->count > MAX_CASES) {
        fprintf(stderr, "%d cases in '%s'; there must be 1 to %d\n", c->count, folder, MAX_CASES);
        exit(EXIT_FAILURE);
    }
    qsort(c->name, (size_t)c->count, MAX_CASE_NAME, by_name);
}

static inline char *read_file(const char *folder, const char *name, const char *file, size_t *size)
{
    char path[4096];
    snprintf(path, sizeof path, "%s/%s/%s", folder, name, file);
    FILE *in = fopen(path, "rb");
    ck_assert_msg(in != NULL, "cannot open '%s'", path);
    char *bytes = malloc(1 << 20);
    *size = fread(bytes, 1, (1 << 20) - 1, in);
    bytes[*size] = '\0';
    fclose(in);
    return bytes;
}

static inline void say_moment(FILE *out, const char *name, int64_t us)
{
    char text[TIME_TEXT];
    if (us == TIME_UNKNOWN)
        return;
    time_format(us, text);
    fprintf(out, " %s %s", name, text);
}

static inline void say_text(FILE *out, const char *name, const char *text)
{
    if (text)
        fprintf(out, " %s '%s'", name, text);
}

static inline void say_number(FILE *out, const char *name, double number)
{
    if (!isnan(number))
        fprintf(out, " %s %g", name, number);
}

static inline void say_observation(FILE *out, const struct observation *o)
{
    static const char *const categories[] = {"sample", "event", "condition"};
    static const char *const states[] = {"normal", "warning", "alarm", "unavailable"};
    fprintf(out, "%llu", (unsigned long long)o->sequence);
    say_moment(out, "at", o->at_us);
    fprintf(out, " %s", categories[o->category]);
    say_text(out, "device", o->device);
    say_text(out, "named", o->device_name);
    fprintf(out, " item '%s' type '%s'", o->item, o->type);
    if (o->category == CATEGORY_CONDITION)
        fprintf(out, " state %s", states[o->state]);
    say_text(out, "sub-type", o->sub_type);
    say_text(out, "statistic", o->statistic);
    say_text(out, "code", o->native_code);
    say_text(out, "severity", o->native_severity);
    say_text(out, "qualifier", o->qualifier);
    say_text(out, "id", o->condition_id);
    fprintf(out, o->value ? " value '%s'\n" : " unavailable\n", o->value);
}

static inline void say_document(FILE *out, const struct document *d)
{
    static const char *const errors[] = {"none", "out of range", "too many", "no device", "other"};
    fprintf(out, "instance '%s' buffer %llu first %llu last %llu next %llu", d->instance,
            (unsigned long long)d->buffer_size, (unsigned long long)d->first_sequence,
            (unsigned long long)d->last_sequence, (unsigned long long)d->next_sequence);
    say_moment(out, "created", d->created_us);
    say_text(out, "model changed", d->model_changed);
    if (d->without_zone)
        fprintf(out, " without a zone %zu", d->without_zone);
    fprintf(out, "%s\n", d->test_data ? " test data" : "");
    if (d->kind == DOCUMENT_ERROR)
        fprintf(out, "error %s: %s\n", errors[d->error], d->error_text);
    for (size_t k = 0; k < d->count; k++)
        say_observation(out, &d->observations[k]);
    for (size_t k = 0; k < d->refused; k++)
        fprintf(out, "refused %llu '%s': %s\n", (unsigned long long)d->refusals[k].sequence,
                d->refusals[k].item, d->refusals[k].reason);
}

static inline void say_model(FILE *out, const struct model *m)
{
    fprintf(out, "instance '%s' version '%s'\n", m->instance, m->version);
    for (size_t k = 0; k < m->count; k++) {
        const struct model_item *i = &m->items[k];
        fprintf(out, "item '%s' device '%s'", i->item, i->device);
        say_text(out, "named", i->device_name);
        say_text(out, "name", i->name);
        say_text(out, "category", i->category);
        say_text(out, "type", i->type);
        say_text(out, "sub-type", i->sub_type);
        say_text(out, "units", i->units);
        say_text(out, "statistic", i->statistic);
        say_text(out, "path", i->path);
        say_text(out, "composition", i->composition);
        say_text(out, "component", i->component);
        if (i->of_agent)
            fputs(" of the agent", out);
        say_number(out, "minimum", i->minimum);
        say_number(out, "lower warning", i->lower_warning);
        say_number(out, "lower limit", i->lower_limit);
        say_number(out, "nominal", i->nominal);
        if (i->minimum_delta != 0)
            say_number(out, "steps of", i->minimum_delta);
        if (i->period_s != 0)
            say_number(out, "every", i->period_s);
        fprintf(out, "\n");
    }
}

/* All that the bytes came to. */
static inline char *outcome_of(const char *name, const char *bytes, size_t size, decode_document_fn *document,
                               decode_model_fn *model)
{
    char *text;
    size_t length;
    FILE *out = open_memstream(&text, &length);
    struct arena *mem = arena_new(ARENA_BYTES);
    struct err err = {0};
    struct document d;
    struct model m;

    bool probe = strncmp(name, "probe-", 6) == 0;
    if (probe ? !model(bytes, size, mem, &m, &err) : !document(bytes, size, mem, &d, &err))
        fprintf(out, "refused: %s\n", err.text);
    else if (probe)
        say_model(out, &m);
    else
        say_document(out, &d);
    fclose(out);
    arena_free(mem);
    return text;
}

/* Each case as it is expected; the bytes are handed over without a NUL behind them. */
static inline void check_case(const struct cases *c, int which, const char *input,
                              decode_document_fn *document, decode_model_fn *model)
{
    size_t size, expected_size;
    char *whole = read_file(c->folder, c->name[which], input, &size);
    char *bytes = malloc(size ? size : 1);
    memcpy(bytes, whole, size);
    free(whole);
    char *expected = read_file(c->folder, c->name[which], "expected", &expected_size);
    char *found = outcome_of(c->name[which], bytes, size, document, model);
    ck_assert_msg(strcmp(found, expected) == 0, "case %s\nexpected:\n%s\nfound:\n%s", c->name[which],
                  expected, found);
    free(bytes);
    free(expected);
    free(found);
}

#endif
