#include "base/arena.h"

#include <check.h>

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

static struct arena *a;

static void setup(void)
{
    a = arena_new(1000000);
}

static void teardown(void)
{
    arena_free(a);
}

START_TEST(memory_is_zeroed_aligned_and_apart)
{
    for (size_t n = 0; n < 300; n++) {
        unsigned char *p = arena_alloc(a, n);
        ck_assert_ptr_nonnull(p);
        ck_assert_uint_eq((uintptr_t)p % _Alignof(max_align_t), 0);
        for (size_t i = 0; i < n; i++)
            ck_assert_uint_eq(p[i], 0);
        memset(p, 0xee, n); /* a neighbour that overlaps would not be zero */
    }
}
END_TEST

START_TEST(an_allocation_larger_than_a_chunk)
{
    char *small = arena_strdup(a, "small"), *large = arena_alloc(a, 300000);
    memset(large, 'x', 300000);
    ck_assert_str_eq(small, "small");
    ck_assert_str_eq(arena_strdup(a, "after"), "after");
}
END_TEST

START_TEST(reset_gives_everything_back)
{
    for (int round = 0; round < 50; round++) {
        for (int k = 0; k < 90; k++)
            memset(arena_alloc(a, 10000), 1, 10000);
        ck_assert_uint_ge(arena_used(a), 900000);
        arena_reset(a);
        ck_assert_uint_eq(arena_used(a), 0);
    }
    char *p = arena_alloc(a, 10000);
    for (int i = 0; i < 10000; i++)
        ck_assert_int_eq(p[i], 0);
}
END_TEST

START_TEST(strings_are_copied)
{
    char text[] = "some text";
    char *whole = arena_strdup(a, text), *part = arena_strndup(a, text, 4);
    memset(text, 'x', sizeof text - 1);
    ck_assert_str_eq(whole, "some text");
    ck_assert_str_eq(part, "some");
    ck_assert_ptr_null(arena_strdup(a, NULL));
    ck_assert_str_eq(arena_printf(a, "%s-%d", whole, 42), "some text-42");
    ck_assert_uint_eq(strlen(arena_printf(a, "%5000d", 7)), 5000);
}
END_TEST

START_TEST(an_array_grows_with_what_it_held)
{
    size_t room = 1;
    int *list = arena_array(a, int, room);
    for (size_t i = 0; i < 1000; i++) {
        if (i == room) {
            list = arena_grow(a, list, room, 2 * room, sizeof *list);
            room *= 2;
        }
        list[i] = (int)i;
    }
    for (size_t i = 0; i < 1000; i++)
        ck_assert_int_eq(list[i], (int)i);
    int *first = arena_grow(a, NULL, 0, 3, sizeof *first);
    ck_assert_int_eq(first[2], 0);
}
END_TEST

START_TEST(the_limit_ends_the_program)
{
    arena_alloc(a, 500000);
    arena_alloc(a, 600000);
}
END_TEST

START_TEST(a_count_that_overflows_ends_the_program)
{
    arena_free(a);
    a = arena_new(SIZE_MAX);
    arena_calloc(a, SIZE_MAX / 2, 3);
}
END_TEST

START_TEST(up_to_the_limit_is_fine)
{
    arena_alloc(a, 1000000 - 16);
    arena_reset(a);
    arena_alloc(a, 1000000 - 16);
    arena_free(NULL);
}
END_TEST

static Suite *suite(void)
{
    Suite *s = suite_create("arena");
    TCase *t = tcase_create("arena");
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_add_test(t, memory_is_zeroed_aligned_and_apart);
    tcase_add_test(t, an_allocation_larger_than_a_chunk);
    tcase_add_test(t, reset_gives_everything_back);
    tcase_add_test(t, strings_are_copied);
    tcase_add_test(t, an_array_grows_with_what_it_held);
    tcase_add_exit_test(t, the_limit_ends_the_program, 71);
    tcase_add_exit_test(t, a_count_that_overflows_ends_the_program, 71);
    tcase_add_test(t, up_to_the_limit_is_fine);
    suite_add_tcase(s, t);
    return s;
}

int main(void)
{
    SRunner *runner = srunner_create(suite());
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
