#include "decoded.h"
#include "mtconnect.h"

#include <malloc.h>
#include <stdint.h>
#include <sys/resource.h>
#include <unistd.h>

/* Of libxml2, whose headers only its owner includes. */
typedef void *load_entity_fn(const char *url, const char *id, void *parser);
void xmlSetExternalEntityLoader(load_entity_fn *load);
int xmlMemSetup(void (*free_function)(void *), void *(*malloc_function)(size_t),
                void *(*realloc_function)(void *, size_t), char *(*strdup_function)(const char *));

static struct cases cases;
static struct arena *mem;
static struct err err;
static struct document document;

static void set_up(void)
{
    mem = arena_new(ARENA_BYTES);
    err = (struct err){0};
}

static void tear_down(void)
{
    arena_free(mem);
}

static const char head[] =
    "<MTConnectStreams><Header creationTime=\"2026-03-02T08:00:05Z\" instanceId=\"9\" bufferSize=\"100\" "
    "firstSequence=\"1\" lastSequence=\"9\" nextSequence=\"10\"/><Streams><DeviceStream uuid=\"m1\">"
    "<ComponentStream><Samples>";
static const char tail[] = "</Samples></ComponentStream></DeviceStream></Streams></MTConnectStreams>";

/* A document around what 'fill' writes in place of samples. */
static char *document_with(void (*fill)(FILE *out, size_t n), size_t n, size_t *size)
{
    char *bytes;
    FILE *out = open_memstream(&bytes, size);
    fputs(head, out);
    fill(out, n);
    fputs(tail, out);
    fclose(out);
    return bytes;
}

static void one_sample(FILE *out, size_t n)
{
    fprintf(out,
            "<RotaryVelocity dataItemId='n' sequence='%zu' "
            "timestamp='2026-03-02T08:00:00Z'>4000</RotaryVelocity>",
            n);
}

static bool decode_with(void (*fill)(FILE *out, size_t n), size_t n)
{
    size_t size;
    char *bytes = document_with(fill, n, &size);
    bool fine = mtconnect_document(bytes, size, mem, &document, &err);
    free(bytes);
    return fine;
}

START_TEST(every_case_comes_to_what_is_expected)
{
    check_case(&cases, _i, "input.xml", mtconnect_document, mtconnect_model);
}
END_TEST

/* A document and a model of each, and each kind of error. */
START_TEST(every_version_has_its_cases)
{
    static const char *const versions[] = {"1.0", "1.1", "1.2", "1.3", "1.4", "1.5", "1.6", "1.7",
                                           "1.8", "2.0", "2.1", "2.2", "2.3", "2.4", "2.5", "2.6"};
    for (size_t v = 0; v < sizeof versions / sizeof *versions; v++) {
        char streams[32], probe[32];
        int found = 0;
        snprintf(streams, sizeof streams, "version-%s-", versions[v]);
        snprintf(probe, sizeof probe, "probe-version-%s-", versions[v]);
        for (int k = 0; k < cases.count; k++) {
            found |= strncmp(cases.name[k], streams, strlen(streams)) == 0 ? 1 : 0;
            found |= strncmp(cases.name[k], probe, strlen(probe)) == 0 ? 2 : 0;
        }
        ck_assert_msg(found == 3, "version %s", versions[v]);
    }
}
END_TEST

static void nested(FILE *out, size_t n)
{
    for (size_t k = 0; k < n; k++)
        fputs("<a>", out);
    for (size_t k = 0; k < n; k++)
        fputs("</a>", out);
}

/* Samples stand five deep. */
START_TEST(elements_may_stand_64_deep_and_no_deeper)
{
    ck_assert_msg(decode_with(nested, 64 - 5), "%s", err.text);
    ck_assert(!decode_with(nested, 65 - 5));
    ck_assert_ptr_nonnull(strstr(err.text, "elements stand more than 64 deep"));
    err_clear(&err);
    ck_assert(!decode_with(nested, 200000));
    ck_assert_int_eq(err.kind, ERR_INPUT);
    ck_assert_ptr_nonnull(strstr(err.text, "line 1, column "));
}
END_TEST

static void long_attribute(FILE *out, size_t n)
{
    fprintf(out, "<x y='%*s'/>", (int)n, "z");
}

START_TEST(an_attribute_may_have_4096_bytes_and_no_more)
{
    ck_assert_msg(decode_with(long_attribute, 4096), "%s", err.text);
    ck_assert(!decode_with(long_attribute, 4097));
    ck_assert_ptr_nonnull(strstr(err.text, "attribute 'y' is longer than 4096 bytes"));
    err_clear(&err);
    ck_assert(!decode_with(long_attribute, 5 << 20));
    ck_assert_ptr_nonnull(strstr(err.text, "a tag is longer than"));
}
END_TEST

static void many_attributes(FILE *out, size_t n)
{
    fputs("<x", out);
    for (size_t k = 0; k < n; k++)
        fprintf(out, " a%zu=''", k);
    fputs("/>", out);
}

static double seconds_used(void)
{
    struct rusage r;
    getrusage(RUSAGE_SELF, &r);
    return (double)r.ru_utime.tv_sec + (double)r.ru_utime.tv_usec / 1e6;
}

/* libxml2 compares every attribute with every other one: a million would take an hour. */
START_TEST(many_attributes_are_refused_before_they_cost_time)
{
    ck_assert_msg(decode_with(many_attributes, 64), "%s", err.text);
    ck_assert(!decode_with(many_attributes, 65));
    ck_assert_ptr_nonnull(strstr(err.text, "an element has more than 64 attributes"));
    err_clear(&err);
    double before = seconds_used();
    ck_assert(!decode_with(many_attributes, 1000000));
    ck_assert_int_eq(err.kind, ERR_INPUT);
    ck_assert_double_lt(seconds_used() - before, 5.0);
}
END_TEST

static const char *const later_times[] = {
    "2026-03-02T08:00:01Z",         "2026-03-02T23:59:59.999999Z", "2026-03-02T08:00:01.5Z",
    "2026-03-02T08:00:01.1234567Z", "2026-03-02T23:59:60Z",        "2026-03-02T24:00:00Z",
    "2026-03-02T08:60:00Z",         "2026-03-02T08:00:61Z",        "2026-03-02T08:00:01.Z",
    "2026-03-02T08:00:01.5",        "2026-03-02T08:00:01+01:00",   "2026-03-02T08:00:0:Z",
    "2026-03-02T08-00:01Z",         "2026-03-02t08:00:01z",        "2026-03-02",
    "2026-03-03T08:00:01Z",         "2026-02-30T08:00:01Z",        "2026-03-02T08:00:01.12/Z",
};
enum { LATER_TIMES = sizeof later_times / sizeof *later_times };

/* Usual ones around it, since the day of one is remembered for the next. */
static void time_between(FILE *out, size_t n)
{
    one_sample(out, 1);
    fprintf(out, "<Load dataItemId='n' sequence='2' timestamp='%s'>1</Load>", later_times[n]);
    one_sample(out, 3);
}

START_TEST(a_time_is_read_the_same_after_another_of_its_day)
{
    int64_t at_us, usual_us;
    bool no_zone = false;
    bool is_time = strlen(later_times[_i]) > 10 && time_parse(later_times[_i], &at_us, &no_zone);
    ck_assert(time_parse("2026-03-02T08:00:00Z", &usual_us, NULL));
    ck_assert_msg(decode_with(time_between, (size_t)_i), "%s", err.text);
    ck_assert_uint_eq(document.count, is_time ? 3 : 2);
    ck_assert_uint_eq(document.refused, is_time ? 0 : 1);
    ck_assert_uint_eq(document.without_zone, is_time && no_zone ? 1 : 0);
    if (is_time)
        ck_assert_int_eq(document.observations[1].at_us, at_us);
    ck_assert_int_eq(document.observations[document.count - 1].at_us, usual_us);
}
END_TEST

static void long_value(FILE *out, size_t n)
{
    fputs("<RotaryVelocityTimeSeries dataItemId='n' sequence='1' timestamp='2026-03-02T08:00:00Z'>", out);
    for (size_t k = 0; k < n / 4; k++)
        fputs("401 ", out);
    fputs("</RotaryVelocityTimeSeries>", out);
    one_sample(out, 2);
}

START_TEST(a_value_may_have_64_kB_and_a_longer_one_is_refused_alone)
{
    ck_assert_msg(decode_with(long_value, 65536), "%s", err.text);
    ck_assert_uint_eq(document.count, 2);
    ck_assert_str_eq(document.observations[0].value, "401");
    ck_assert_msg(decode_with(long_value, 65540), "%s", err.text);
    ck_assert_uint_eq(document.count, 1);
    ck_assert_uint_eq(document.observations[0].sequence, 2);
    ck_assert_uint_eq(document.refused, 1);
    ck_assert_str_eq(document.refusals[0].reason, "its text is longer than 64 kB");
}
END_TEST

static void bad_samples(FILE *out, size_t n)
{
    for (size_t k = 0; k < n; k++)
        fputs("<Load dataItemId='l'/>", out);
    one_sample(out, 1);
}

START_TEST(after_a_thousand_refusals_the_others_are_counted)
{
    ck_assert_msg(decode_with(bad_samples, 1000), "%s", err.text);
    ck_assert_uint_eq(document.refused, 1000);
    ck_assert_msg(decode_with(bad_samples, 3500), "%s", err.text);
    ck_assert_uint_eq(document.refused, 1001);
    ck_assert_str_eq(document.refusals[1000].reason, "2500 more observations refused");
    ck_assert_uint_eq(document.count, 1);
}
END_TEST

/* The k-th of n sequences, each once: items report in turn, and stand one after the other. */
static const uint64_t scattered_from = 1000000000000;

static uint64_t scattered(size_t k, size_t n)
{
    return scattered_from + (k * 7919 + 13) % n;
}

static void many_samples(FILE *out, size_t n)
{
    for (size_t k = 0; k < n; k++) {
        uint64_t s = scattered(k, n);
        fprintf(
            out,
            "<Load dataItemId='item-%zu' sequence='%llu' timestamp='2026-03-02T08:%02d:%02dZ'>%llu</Load>\n",
            k / 100, (unsigned long long)s, (int)(s / 60 % 60), (int)(s % 60), (unsigned long long)s);
    }
}

/* Each of n samples with its own value and item, in order. */
static bool is_whole(size_t n)
{
    char value[32], item[32];
    bool whole = document.count == n && document.refused == 0;
    for (size_t k = 0; whole && k < n; k++) {
        uint64_t s = scattered(k, n);
        const struct observation *o = &document.observations[s - scattered_from];
        snprintf(value, sizeof value, "%llu", (unsigned long long)s);
        snprintf(item, sizeof item, "item-%zu", k / 100);
        whole = o->sequence == s && strcmp(o->value, value) == 0 && strcmp(o->item, item) == 0;
    }
    return whole;
}

START_TEST(a_long_document_loses_nothing_and_is_put_in_order)
{
    ck_assert_msg(decode_with(many_samples, 30000), "%s", err.text);
    ck_assert(is_whole(30000));
    for (size_t k = 1; k < document.count; k++)
        ck_assert_uint_eq(document.observations[k].sequence, document.observations[k - 1].sequence + 1);
}
END_TEST

START_TEST(a_document_cut_anywhere_is_refused_with_a_reason)
{
    size_t size;
    char *bytes = document_with(one_sample, 1, &size);
    for (size_t cut = 0; cut < size; cut++) {
        char *part = malloc(cut ? cut : 1); /* so that reading past the end is seen */
        memcpy(part, bytes, cut);
        ck_assert_msg(!mtconnect_document(part, cut, mem, &document, &err), "cut at %zu", cut);
        ck_assert_int_eq(err.kind, ERR_INPUT);
        ck_assert_msg(strncmp(err.text, "line ", 5) == 0, "cut at %zu: %s", cut, err.text);
        err_clear(&err);
        free(part);
    }
    ck_assert_msg(mtconnect_document(bytes, size, mem, &document, &err), "%s", err.text);
    free(bytes);
}
END_TEST

/* Whatever one byte becomes: refused with a reason, or read without harm. */
START_TEST(a_damaged_byte_does_no_harm)
{
    static const char damage[] = {'<', '>', '&', '"',    '\'',   '/',    ' ',
                                  'a', '0', '-', '\x01', '\xc3', '\xff', '\0'};
    size_t size;
    char *bytes = document_with(one_sample, 1, &size);
    for (size_t at = 0; at < size; at++) {
        char kept = bytes[at];
        for (size_t k = 0; k < sizeof damage; k++) {
            bytes[at] = damage[k];
            if (!mtconnect_document(bytes, size, mem, &document, &err))
                ck_assert_msg(err.kind == ERR_INPUT && *err.text, "byte %zu", at);
            err_clear(&err);
            arena_reset(mem);
        }
        bytes[at] = kept;
    }
    free(bytes);
}
END_TEST

static int allocations_left;
static bool failing_for_good;

static bool allocation_fails(void)
{
    int left = allocations_left--;
    return failing_for_good ? left <= 0 : left == 0;
}

static void *failing_malloc(size_t size)
{
    return allocation_fails() ? NULL : malloc(size);
}

static void *failing_realloc(void *p, size_t size)
{
    return allocation_fails() ? NULL : realloc(p, size);
}

static char *failing_strdup(const char *text)
{
    return allocation_fails() ? NULL : strdup(text);
}

/* libxml2's n-th allocation fails, alone or with all that follow, for every n until none is asked for. */
START_TEST(without_memory_the_document_is_refused_not_cut_short)
{
    size_t size;
    char *bytes = document_with(many_samples, 500, &size);
    int failures = 0;
    ck_assert_int_eq(xmlMemSetup(free, failing_malloc, failing_realloc, failing_strdup), 0);
    failing_for_good = _i;
    for (int n = 0; allocations_left <= 0; n++) {
        ck_assert_int_lt(n, 10000);
        allocations_left = n;
        if (mtconnect_document(bytes, size, mem, &document, &err)) {
            ck_assert_msg(is_whole(500), "allocation %d", n);
        } else {
            ck_assert_msg(err.kind == ERR_SYSTEM || err.kind == ERR_INPUT, "allocation %d: kind %d", n,
                          err.kind);
            failures++;
        }
        err_clear(&err);
        arena_reset(mem);
    }
    xmlMemSetup(free, malloc, realloc, strdup);
    ck_assert_int_gt(failures, 10);
    free(bytes);
}
END_TEST

static int loads;

static void *count_load(const char *url, const char *id, void *parser)
{
    (void)url, (void)id, (void)parser;
    loads++;
    return NULL;
}

static const char *const outsiders[] = {
    "<!DOCTYPE MTConnectStreams SYSTEM 'http://192.0.2.1/x.dtd'>",
    "<!DOCTYPE MTConnectStreams PUBLIC 'x' 'file:///etc/passwd' [<!ENTITY e 'e'>]>",
    "<!DOCTYPE MTConnectStreams [<!ENTITY e SYSTEM 'file:///etc/passwd'>]>",
    "<!DOCTYPE MTConnectStreams [<!ENTITY % e SYSTEM 'http://192.0.2.1/e'> %e;]>",
    "<?xml-stylesheet href='http://192.0.2.1/x.xsl'?>",
    "",
};

/* Neither a file nor an address that a document names is opened. */
START_TEST(a_document_reaches_nothing_outside_itself)
{
    size_t size, whole_size;
    char *inner = document_with(one_sample, 1, &size), *whole;
    FILE *out = open_memstream(&whole, &whole_size);
    fprintf(out, "%s%.*s", outsiders[_i], (int)size, inner);
    fclose(out);
    xmlSetExternalEntityLoader(count_load);
    bool fine = mtconnect_document(whole, whole_size, mem, &document, &err);
    ck_assert_int_eq(loads, 0);
    ck_assert_int_eq(fine, strncmp(outsiders[_i], "<!DOCTYPE", 9) != 0);
    if (!fine)
        ck_assert_ptr_nonnull(strstr(err.text, "a document type definition is not accepted"));
    free(inner);
    free(whole);
}
END_TEST

static size_t held, most_held;

static void note_held(size_t less, size_t more)
{
    held += more - less;
    most_held = held > most_held ? held : most_held;
}

static void *counting_malloc(size_t size)
{
    void *p = malloc(size);
    note_held(0, malloc_usable_size(p));
    return p;
}

static void *counting_realloc(void *p, size_t size)
{
    size_t before = malloc_usable_size(p);
    p = realloc(p, size);
    note_held(before, malloc_usable_size(p));
    return p;
}

static char *counting_strdup(const char *text)
{
    char *p = strdup(text);
    note_held(0, malloc_usable_size(p));
    return p;
}

static void counting_free(void *p)
{
    note_held(malloc_usable_size(p), 0);
    free(p);
}

static void long_text(FILE *out, size_t n)
{
    fprintf(out, "<Load dataItemId='n' sequence='1' timestamp='2026-03-02T08:00:00Z'>%0*d</Load>", (int)n, 7);
}

static void long_comment(FILE *out, size_t n)
{
    fprintf(out, "<!--%0*d-->", (int)n, 7);
}

static void long_cdata(FILE *out, size_t n)
{
    fprintf(out, "<Load><![CDATA[%0*d]]></Load>", (int)n, 7);
}

static void many_names(FILE *out, size_t n)
{
    for (size_t k = 0; k < n / 10; k++)
        fprintf(out, "<n%zu/>", k);
}

static const struct {
    const char *what;
    void (*fill)(FILE *out, size_t n);
    size_t n, most; /* bytes that libxml2 may hold at once */
} hostile[] = {
    {"200000 elements deep", nested, 200000, 1 << 20},
    {"an attribute of 5 MB", long_attribute, 5 << 20, 1 << 20},
    {"a million attributes", many_attributes, 1000000, 1 << 20},
    {"a text of 5 MB", long_text, 5 << 20, 1 << 20},
    {"a comment of 5 MB", long_comment, 5 << 20, 1 << 20},
    {"a CDATA section of 5 MB", long_cdata, 5 << 20, 1 << 20},
    {"500000 different names", many_names, 5 << 20, 2 << 20},
};
enum { HOSTILE = sizeof hostile / sizeof *hostile };

/* What is held beside the document itself stays far below what the document has; no case may take long. */
START_TEST(hostile_documents_cost_little_memory_and_time)
{
    double before_s = seconds_used();
    ck_assert_int_eq(xmlMemSetup(counting_free, counting_malloc, counting_realloc, counting_strdup), 0);
    (void)decode_with(hostile[_i].fill, hostile[_i].n);
    xmlMemSetup(free, malloc, realloc, strdup);
    ck_assert_msg(most_held > 1000 && most_held < hostile[_i].most, "%s: %zu bytes", hostile[_i].what,
                  most_held);
    ck_assert_double_lt(seconds_used() - before_s, 10.0);
}
END_TEST

START_TEST(nothing_is_printed_about_bad_documents)
{
    char text[64] = "";
    FILE *kept = tmpfile();
    int standard_error = dup(STDERR_FILENO);
    dup2(fileno(kept), STDERR_FILENO);
    for (int k = 0; k < cases.count; k++) {
        size_t size;
        char *bytes = read_file(cases.folder, cases.name[k], "input.xml", &size);
        free(outcome_of(cases.name[k], bytes, size, mtconnect_document, mtconnect_model));
        free(bytes);
    }
    dup2(standard_error, STDERR_FILENO);
    rewind(kept);
    ck_assert_ptr_null(fgets(text, sizeof text, kept));
    fclose(kept);
}
END_TEST

int main(void)
{
    find_cases(&cases, TEST_DATA "/mtconnect");

    Suite *suite = suite_create("mtconnect");
    TCase *tc = tcase_create("cases");
    tcase_add_loop_test(tc, every_case_comes_to_what_is_expected, 0, cases.count);
    tcase_add_test(tc, every_version_has_its_cases);
    suite_add_tcase(suite, tc);

    tc = tcase_create("limits and damage");
    tcase_set_timeout(tc, 60);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, elements_may_stand_64_deep_and_no_deeper);
    tcase_add_test(tc, an_attribute_may_have_4096_bytes_and_no_more);
    tcase_add_test(tc, many_attributes_are_refused_before_they_cost_time);
    tcase_add_test(tc, a_value_may_have_64_kB_and_a_longer_one_is_refused_alone);
    tcase_add_loop_test(tc, a_time_is_read_the_same_after_another_of_its_day, 0, LATER_TIMES);
    tcase_add_test(tc, after_a_thousand_refusals_the_others_are_counted);
    tcase_add_test(tc, a_long_document_loses_nothing_and_is_put_in_order);
    tcase_add_test(tc, a_document_cut_anywhere_is_refused_with_a_reason);
    tcase_add_test(tc, a_damaged_byte_does_no_harm);
    tcase_add_loop_test(tc, without_memory_the_document_is_refused_not_cut_short, 0, 2);
    tcase_add_loop_test(tc, a_document_reaches_nothing_outside_itself, 0,
                        (int)(sizeof outsiders / sizeof *outsiders));
    tcase_add_loop_test(tc, hostile_documents_cost_little_memory_and_time, 0, HOSTILE);
    tcase_add_test(tc, nothing_is_printed_about_bad_documents);
    suite_add_tcase(suite, tc);

    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
