#include "decoded.h"
#include "feed.h"

/* Of jansson, whose header only its owner includes. */
void json_set_alloc_funcs(void *(*malloc_function)(size_t), void (*free_function)(void *));

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

static const char head[] = "{\"feed\":1,\"instance\":\"i\",\"created\":\"2026-03-02T08:00:05Z\","
                           "\"buffer\":{\"size\":9,\"first\":1,\"last\":9,\"next\":10},\"observations\":[";

static char *document_of(size_t n, size_t *size)
{
    char *bytes;
    FILE *out = open_memstream(&bytes, size);
    fputs(head, out);
    for (size_t k = 0; k < n; k++)
        fprintf(out,
                "%s{\"sequence\":%zu,\"time\":\"2026-03-02T08:00:00Z\",\"device\":\"d\",\"item\":\"i%zu\","
                "\"value\":%zu.25}",
                k ? "," : "", n - k, k / 10, n - k);
    fputs("]}", out);
    fclose(out);
    return bytes;
}

START_TEST(every_case_comes_to_what_is_expected)
{
    check_case(&cases, _i, "input.json", feed_document, feed_model);
}
END_TEST

/* The n-th block of JSON in the page that defines the feed. */
static char *example(int n, size_t *size)
{
    char *page = read_file(TEST_DATA, "../../collector", "feed.md", size), *block = page;
    for (int k = 0; k <= n; k++) {
        block = strstr(block, "```json\n");
        ck_assert_ptr_nonnull(block);
        block += strlen("```json\n");
    }
    char *end = strstr(block, "```");
    ck_assert_ptr_nonnull(end);
    *size = (size_t)(end - block);
    char *bytes = strndup(block, *size);
    free(page);
    return bytes;
}

START_TEST(the_definition_s_example_of_observations_is_read)
{
    size_t size;
    char *bytes = example(0, &size);
    ck_assert_msg(feed_document(bytes, size, mem, &document, &err), "%s", err.text);
    ck_assert_uint_eq(document.next_sequence, 45);
    ck_assert_uint_eq(document.count, 4);
    ck_assert_uint_eq(document.refused, 0);
    ck_assert_str_eq(document.observations[0].value, "4012.5");
    ck_assert_ptr_null(document.observations[1].value);
    ck_assert_int_eq(document.observations[2].state, STATE_WARNING);
    ck_assert_str_eq(document.observations[2].native_code, "D207");
    ck_assert_str_eq(document.observations[3].type, "AVAILABILITY");
    free(bytes);
}
END_TEST

START_TEST(the_definition_s_example_of_items_is_read)
{
    struct model model;
    size_t size;
    char *bytes = example(1, &size);
    ck_assert_msg(feed_model(bytes, size, mem, &model, &err), "%s", err.text);
    ck_assert_uint_eq(model.count, 4);
    ck_assert_str_eq(model.items[1].item, "drive-1/internal-2");
    free(bytes);
}
END_TEST

START_TEST(the_definition_s_example_of_an_error_is_read)
{
    size_t size;
    char *bytes = example(2, &size);
    ck_assert_msg(feed_document(bytes, size, mem, &document, &err), "%s", err.text);
    ck_assert_int_eq(document.error, SOURCE_ERROR_OUT_OF_RANGE);
    ck_assert_uint_eq(document.first_sequence, 22);
    free(bytes);
}
END_TEST

/* Each of n observations with its own value, in order. */
static bool is_whole(size_t n)
{
    char value[32];
    bool whole = document.count == n && document.refused == 0;
    for (size_t k = 0; whole && k < n; k++) {
        snprintf(value, sizeof value, "%zu.25", k + 1);
        whole =
            document.observations[k].sequence == k + 1 && strcmp(document.observations[k].value, value) == 0;
    }
    return whole;
}

START_TEST(a_long_document_loses_nothing_and_is_put_in_order)
{
    size_t size;
    char *bytes = document_of(20000, &size);
    ck_assert_msg(feed_document(bytes, size, mem, &document, &err), "%s", err.text);
    ck_assert(is_whole(20000));
    free(bytes);
}
END_TEST

START_TEST(a_document_cut_anywhere_is_refused_with_a_place)
{
    size_t size;
    char *bytes = document_of(2, &size);
    for (size_t cut = 0; cut < size; cut++) {
        char *part = malloc(cut ? cut : 1); /* so that reading past the end is seen */
        memcpy(part, bytes, cut);
        ck_assert_msg(!feed_document(part, cut, mem, &document, &err), "cut at %zu", cut);
        ck_assert_int_eq(err.kind, ERR_INPUT);
        ck_assert_msg(strncmp(err.text, "line 1, column ", 15) == 0, "cut at %zu: %s", cut, err.text);
        err_clear(&err);
        free(part);
    }
    free(bytes);
}
END_TEST

/* Whatever one byte becomes: refused with a reason, or read without harm. */
START_TEST(a_damaged_byte_does_no_harm)
{
    static const char damage[] = {'{', '}', '[', ']', '"', ':', ',', '\\', '-', '0', 'e', ' ', '\xc3', '\0'};
    size_t size;
    char *bytes = document_of(2, &size);
    for (size_t at = 0; at < size; at++) {
        char kept = bytes[at];
        for (size_t k = 0; k < sizeof damage; k++) {
            bytes[at] = damage[k];
            if (!feed_document(bytes, size, mem, &document, &err))
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

static void *failing_malloc(size_t size)
{
    int left = allocations_left--;
    return (failing_for_good ? left <= 0 : left == 0) ? NULL : malloc(size);
}

/* jansson's n-th allocation fails, alone or with all that follow, for every n until none is asked for. */
START_TEST(without_memory_the_document_is_refused_not_cut_short)
{
    size_t size;
    char *bytes = document_of(50, &size);
    int failures = 0;
    json_set_alloc_funcs(failing_malloc, free);
    failing_for_good = _i;
    for (int n = 0; allocations_left <= 0; n++) {
        ck_assert_int_lt(n, 10000);
        allocations_left = n;
        if (feed_document(bytes, size, mem, &document, &err)) {
            ck_assert_msg(is_whole(50), "allocation %d", n);
        } else {
            ck_assert_msg(*err.text, "allocation %d", n); /* jansson takes some for bad input */
            failures++;
        }
        err_clear(&err);
        arena_reset(mem);
    }
    json_set_alloc_funcs(malloc, free);
    ck_assert_int_gt(failures, 10);
    free(bytes);
}
END_TEST

int main(void)
{
    find_cases(&cases, TEST_DATA "/feed");

    Suite *suite = suite_create("feed");
    TCase *tc = tcase_create("cases");
    tcase_add_loop_test(tc, every_case_comes_to_what_is_expected, 0, cases.count);
    suite_add_tcase(suite, tc);

    tc = tcase_create("examples, limits and damage");
    tcase_set_timeout(tc, 60);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, the_definition_s_example_of_observations_is_read);
    tcase_add_test(tc, the_definition_s_example_of_items_is_read);
    tcase_add_test(tc, the_definition_s_example_of_an_error_is_read);
    tcase_add_test(tc, a_long_document_loses_nothing_and_is_put_in_order);
    tcase_add_test(tc, a_document_cut_anywhere_is_refused_with_a_place);
    tcase_add_test(tc, a_damaged_byte_does_no_harm);
    tcase_add_loop_test(tc, without_memory_the_document_is_refused_not_cut_short, 0, 2);
    suite_add_tcase(suite, tc);

    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
