#include "metrics.h"

#include <check.h>

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/*
 * A strict reader of OpenMetrics 1.0 text (specification sections "ABNF", "Overall Structure", "Metric
 * Types"), for the kinds of family that are written here: each line must be a descriptor or a sample of the
 * family that was described last; names are unique; the unit ends the name; the end is "# EOF".
 */
struct reader {
    char family[100], type[20], unit[40];
    char seen[200][100];
    int families;
    double below; /* the bucket before */
    double count;
    char samples[400][300];
    int sample_count;
};

static bool is_name(const char *s)
{
    if (!isalpha((unsigned char)*s) && *s != '_')
        return false;
    for (; *s; s++) {
        if (!isalnum((unsigned char)*s) && *s != '_')
            return false;
    }
    return true;
}

static void begin_family(struct reader *r, const char *name, const char *type)
{
    ck_assert_msg(is_name(name), "name '%s'", name);
    for (int k = 0; k < r->families; k++)
        ck_assert_str_ne(r->seen[k], name);
    snprintf(r->seen[r->families++], sizeof r->seen[0], "%s", name);
    snprintf(r->family, sizeof r->family, "%s", name);
    snprintf(r->type, sizeof r->type, "%s", type);
    r->unit[0] = '\0';
    r->below = -1;
}

static void read_descriptor(struct reader *r, const char *line)
{
    char kind[10], name[100], rest[300];
    ck_assert_int_eq(sscanf(line, "# %9s %99s %299[^\n]", kind, name, rest), 3);
    if (strcmp(kind, "TYPE") == 0) {
        begin_family(r, name, rest);
        ck_assert(strstr("counter gauge histogram info", rest));
        return;
    }
    ck_assert_str_eq(name, r->family);
    if (strcmp(kind, "UNIT") == 0) {
        size_t n = strlen(name), u = strlen(rest);
        ck_assert(n > u + 1 && name[n - u - 1] == '_' && strcmp(name + n - u, rest) == 0);
    } else {
        ck_assert_str_eq(kind, "HELP");
    }
}

static double number(const char *text)
{
    char *end;
    double value = strtod(text, &end);
    ck_assert_msg(*text && !*end && value == value, "number '%s'", text);
    return value;
}

/* The part of a sample's name behind that of its family. */
static void check_kind(struct reader *r, const char *suffix, const char *labels, double value)
{
    if (strcmp(r->type, "counter") == 0) {
        ck_assert_str_eq(suffix, "_total");
        ck_assert(value >= 0);
    } else if (strcmp(r->type, "info") == 0) {
        ck_assert_str_eq(suffix, "_info");
        ck_assert(value == 1 && *labels);
    } else if (strcmp(r->type, "gauge") == 0) {
        ck_assert_str_eq(suffix, "");
    } else if (strcmp(suffix, "_bucket") == 0) {
        ck_assert(strncmp(labels, "le=\"", 4) == 0);
        ck_assert(value >= r->below);
        r->below = value;
        if (strcmp(labels, "le=\"+Inf\"") == 0)
            r->count = value;
        else
            ck_assert_ptr_nonnull(strchr(labels, '.')); /* a float has a point */
    } else if (strcmp(suffix, "_count") == 0) {
        ck_assert(value == r->count);
    } else {
        ck_assert_str_eq(suffix, "_sum");
    }
}

/* label="value" pairs between commas; in a value only \\, \" and \n are escapes. */
static void check_labels(const char *s)
{
    while (*s) {
        char name[50];
        int length = 0;
        ck_assert_msg(sscanf(s, "%49[a-z_]=\"%n", name, &length) == 1 && length, "labels '%s'", s);
        for (s += length; *s && *s != '"'; s++)
            ck_assert(*s != '\\' || (*++s && strchr("\\\"n", *s)));
        ck_assert_int_eq(*s++, '"');
        ck_assert(!*s || *s == ',');
        s += *s == ',';
    }
}

static void read_sample(struct reader *r, const char *line)
{
    char name[150] = "", labels[300] = "", value[60] = "";
    const char *brace = strchr(line, '{'), *blank = strrchr(line, ' ');
    ck_assert_msg(blank && blank != line, "sample '%s'", line);
    const char *name_end = brace ? brace : blank;
    snprintf(name, sizeof name, "%.*s", (int)(name_end - line), line);
    if (brace)
        snprintf(labels, sizeof labels, "%.*s", (int)(blank - brace - 2), brace + 1);
    ck_assert(!brace || blank[-1] == '}');
    check_labels(labels);
    snprintf(value, sizeof value, "%s", blank + 1);
    ck_assert_msg(strncmp(name, r->family, strlen(r->family)) == 0, "'%s' in '%s'", name, r->family);
    check_kind(r, name + strlen(r->family), labels, number(value));
    for (int k = 0; k < r->sample_count; k++)
        ck_assert(strncmp(r->samples[k], line, (size_t)(blank - line + 1)) != 0);
    snprintf(r->samples[r->sample_count++], sizeof r->samples[0], "%s", line);
}

static struct reader *read_text(const char *text)
{
    struct reader *r = calloc(1, sizeof *r);
    size_t size = strlen(text);
    ck_assert(size > 6 && strcmp(text + size - 6, "# EOF\n") == 0);
    ck_assert_ptr_null(strchr(text, '\r'));
    char *copy = strndup(text, size - 6), *rest = copy;
    for (char *line; (line = strsep(&rest, "\n")) && rest;) {
        ck_assert_msg(*line, "an empty line");
        if (*line == '#')
            read_descriptor(r, line);
        else
            read_sample(r, line);
    }
    free(copy);
    return r;
}

static bool has(const struct reader *r, const char *sample)
{
    for (int k = 0; k < r->sample_count; k++) {
        if (strcmp(r->samples[k], sample) == 0)
            return true;
    }
    return false;
}

static struct metrics example(void)
{
    struct metrics m = {.polls = 12,
                        .failures = {[FAILURE_NO_ANSWER] = 3, [FAILURE_NOT_STORED] = 1},
                        .readings = INT64_C(9000000000000),
                        .sources = 4,
                        .sources_failing = 1,
                        .database_up = true,
                        .started_us = 1764000000 * US_PER_S,
                        .last_success_us = 1764000100 * US_PER_S + 250000,
                        .has_spool = true,
                        .spool_bytes = 4096,
                        .spool_oldest_us = 1764000000 * US_PER_S,
                        .spool_reserve_bytes = 67108864,
                        .has_spool_disk = true,
                        .spool_disk = {.free = 0.125}};
    histogram_add(&m.commits, 0.002);
    histogram_add(&m.commits, 0.003);
    histogram_add(&m.commits, 0.5);
    histogram_add(&m.commits, 100);
    return m;
}

START_TEST(the_text_is_what_the_format_wants_and_says_what_was_counted)
{
    static const char *const expected[] = {
        "vaneward_build_info{version=\"" VANEWARD_VERSION "\"} 1",
        "vaneward_polls_total 12",
        "vaneward_poll_failures_total{kind=\"no_answer\"} 3",
        "vaneward_poll_failures_total{kind=\"unreadable\"} 0",
        "vaneward_poll_failures_total{kind=\"not_stored\"} 1",
        "vaneward_readings_total 9000000000000",
        "vaneward_sources 4",
        "vaneward_sources_failing 1",
        "vaneward_database_up 1",
        "vaneward_commit_seconds_bucket{le=\"0.001\"} 0",
        "vaneward_commit_seconds_bucket{le=\"0.003\"} 2",
        "vaneward_commit_seconds_bucket{le=\"1.0\"} 3",
        "vaneward_commit_seconds_bucket{le=\"30.0\"} 3",
        "vaneward_commit_seconds_bucket{le=\"+Inf\"} 4",
        "vaneward_commit_seconds_count 4",
        "vaneward_commit_seconds_sum 100.505000",
        "vaneward_spool_bytes 4096",
        "vaneward_spool_age_seconds 130",
        "vaneward_spool_reserve_bytes 67108864",
        "vaneward_spool_disk_writable 1",
        "vaneward_spool_disk_free_percent 12",
        "vaneward_start_time_seconds 1764000000.000",
        "vaneward_last_success_time_seconds 1764000100.250",
    };
    struct arena *mem = arena_new(SIZE_MAX);
    struct metrics m = example();
    struct reader *r = read_text(metrics_text(&m, 1764000130 * US_PER_S, mem));
    for (size_t k = 0; k < sizeof expected / sizeof *expected; k++)
        ck_assert_msg(has(r, expected[k]), "'%s' is missing", expected[k]);
    free(r);
    arena_free(mem);
}
END_TEST

START_TEST(what_is_not_known_is_left_out_and_what_did_not_change_is_not)
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct metrics m = {.last_success_us = TIME_UNKNOWN, .started_us = US_PER_S};
    const char *text = metrics_text(&m, 2 * US_PER_S, mem);
    struct reader *r = read_text(text);
    ck_assert(has(r, "vaneward_polls_total 0"));
    ck_assert(has(r, "vaneward_database_up 0"));
    ck_assert_ptr_null(strstr(text, "\nvaneward_last_success_time_seconds"));
    ck_assert_ptr_null(strstr(text, "vaneward_spool"));
    free(r);
    arena_free(mem);
}
END_TEST

START_TEST(a_file_is_replaced_as_a_whole_or_left_as_it_was)
{
    char folder[] = "/tmp/test_metrics_XXXXXX", path[100], missing[100], line[100];
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/metrics", folder);
    snprintf(missing, sizeof missing, "%s/no/metrics", folder);
    struct metrics m = example();
    struct err err = {0};
    ck_assert(metrics_write(&m, 1764000130 * US_PER_S, path, &err));
    ck_assert(metrics_write(&m, 1764000130 * US_PER_S, path, &err));
    ck_assert(!metrics_write(&m, 1764000130 * US_PER_S, missing, &err));
    ck_assert_int_eq(err.kind, ERR_OUTPUT);
    FILE *in = fopen(path, "r");
    ck_assert_ptr_nonnull(fgets(line, sizeof line, in));
    ck_assert_str_eq(line, "# TYPE vaneward_build info\n");
    fclose(in);
    ck_assert_int_eq(remove(path), 0);
    ck_assert_int_eq(remove(folder), 0); /* nothing else lies in it */
}
END_TEST

static const struct source_health sources[] = {
    {.site = "s1",
     .source = "quoted \"a\\b\"\nsecond line",
     .url = "http://127.0.0.1/",
     .period_s = 10,
     .contact_us = 1764000000 * US_PER_S,
     .next_sequence = 41,
     .last_sequence = 60,
     .buffer_size = 80,
     .clock_offset_ms = -1500,
     .failures = 2,
     .bindings = 3,
     .gaps = 1,
     .set_aside = 3,
     .certificate_us = 1765000000 * US_PER_S,
     .refusals = &(const struct refusals){.kinds = {{"... is not a speed", 2}, {"other", 1}}, .count = 2}},
    {.site = "s1",
     .source = "never read",
     .url = "http://127.0.0.1/",
     .period_s = 10,
     .contact_us = TIME_UNKNOWN,
     .next_sequence = HEALTH_UNKNOWN,
     .last_sequence = HEALTH_UNKNOWN,
     .buffer_size = HEALTH_UNKNOWN,
     .clock_offset_ms = HEALTH_UNKNOWN,
     .certificate_us = TIME_UNKNOWN},
};

START_TEST(each_source_has_its_samples_and_names_are_escaped)
{
    static const char *const expected[] = {
        "period_seconds@ 10",
        "last_contact_time_seconds@ 1764000000.000000",
        "age_seconds@ 130.000000",
        "late_seconds@ 40.000000", /* 130 s less three periods and a minute */
        "lag_observations@ 20",
        "lag_ratio@ 0.250000",
        "clock_offset_seconds@ -1.500000",
        "failures@ 2",
        "bindings@ 3",
        "gaps_total@ 1",
        "set_aside_total@,kind=\"... is not a speed\"} 2",
        "set_aside_total@,kind=\"other\"} 1",
        "certificate_expiry_time_seconds@ 1765000000.000000",
    };
    static const char labels[] = "{site=\"s1\",source=\"quoted \\\"a\\\\b\\\"\\nsecond line\"";
    struct arena *mem = arena_new(SIZE_MAX);
    struct metrics m = example();
    m.each = sources;
    m.each_count = 2;
    m.clock_stepped_us = TIME_UNKNOWN;
    const char *text = metrics_text(&m, 1764000130 * US_PER_S, mem);
    struct reader *r = read_text(text);
    for (size_t k = 0; k < sizeof expected / sizeof *expected; k++) {
        const char *at = strchr(expected[k], '@');
        const char *line = arena_printf(mem, "vaneward_source_%.*s%s%s%s", (int)(at - expected[k]),
                                        expected[k], labels, at[1] == ',' ? "" : "}", at + 1);
        ck_assert_msg(has(r, line), "'%s' is missing in\n%s", line, text);
    }
    ck_assert(has(r, "vaneward_source_failures{site=\"s1\",source=\"never read\"} 0"));
    ck_assert_ptr_null(strstr(text, "vaneward_source_age_seconds{site=\"s1\",source=\"never read\"}"));
    free(r);
    arena_free(mem);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("metrics");
    TCase *all = tcase_create("all");
    suite_add_tcase(suite, all);
    tcase_add_test(all, the_text_is_what_the_format_wants_and_says_what_was_counted);
    tcase_add_test(all, each_source_has_its_samples_and_names_are_escaped);
    tcase_add_test(all, what_is_not_known_is_left_out_and_what_did_not_change_is_not);
    tcase_add_test(all, a_file_is_replaced_as_a_whole_or_left_as_it_was);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
