#include "schedule.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>

START_TEST(every_source_is_asked_once_a_period_in_its_own_phase)
{
    int64_t now = 1234567, period = 60000;
    int64_t first = schedule_next_ms("press-3", period, now);
    ck_assert_int_gt(first, now);
    ck_assert_int_le(first, now + period);
    for (int k = 1; k < 20; k++) {
        int64_t next = schedule_next_ms("press-3", period, first);
        ck_assert_int_eq(next, first + period);
        first = next;
    }
    /* A late answer does not shift the phase. */
    ck_assert_int_eq(schedule_next_ms("press-3", period, first + 59999), first + period);
    ck_assert_int_eq(schedule_next_ms("press-3", period, first + 60001), first + 2 * period);
}
END_TEST

START_TEST(a_clock_before_its_own_beginning_is_no_exception)
{
    for (int64_t now = -5000; now < 5000; now += 7) {
        int64_t due = schedule_next_ms("a", 900, now);
        ck_assert_int_gt(due, now);
        ck_assert_int_le(due, now + 900);
    }
}
END_TEST

START_TEST(sources_spread_evenly_over_the_period)
{
    enum { SOURCES = 6000, TENTHS = 10 };
    int seen[TENTHS] = {0};
    for (int k = 0; k < SOURCES; k++) {
        char key[32];
        snprintf(key, sizeof key, "source-%d", k);
        seen[(schedule_next_ms(key, 10000, 0) - 1) / 1000]++;
    }
    /* 600 a tenth; five standard deviations are 116. */
    for (int k = 0; k < TENTHS; k++)
        ck_assert_msg(abs(seen[k] - 600) < 116, "tenth %d holds %d of 6000", k, seen[k]);
}
END_TEST

static const struct {
    int failures;
    int64_t longest_ms;
} waits[] = {{1, 2000}, {2, 4000}, {5, 32000}, {8, 256000}, {9, 300000}, {1000000, 300000}};

START_TEST(the_wait_doubles_with_each_failure_up_to_five_minutes)
{
    int64_t shortest = INT64_MAX, longest = 0;
    for (int64_t now = 0; now < 4000; now++) {
        int64_t wait = schedule_retry_ms("mill-7", waits[_i].failures, now) - now;
        shortest = wait < shortest ? wait : shortest;
        longest = wait > longest ? wait : longest;
    }
    int64_t span = waits[_i].longest_ms - 1000;
    ck_assert_int_ge(shortest, 1000);
    ck_assert_int_le(longest, waits[_i].longest_ms);
    ck_assert_msg(shortest < 1000 + span / 20 && longest > waits[_i].longest_ms - span / 20,
                  "%d failures: the waits reach from %ld to %ld ms only", waits[_i].failures, (long)shortest,
                  (long)longest);
}
END_TEST

START_TEST(the_longest_due_comes_first)
{
    enum { N = 500 };
    struct schedule *s = schedule_new();
    int64_t due[N];
    srand(7);
    for (int k = 0; k < N; k++) {
        due[k] = rand() % 1000;
        schedule_put(s, due[k], &due[k]);
    }
    int64_t last = -1;
    size_t taken = 0;
    for (int64_t now = 0; now < 1000; now += 13) {
        for (int64_t *tag; (tag = schedule_take(s, now)); taken++) {
            ck_assert_int_le(*tag, now);
            ck_assert_int_ge(*tag, last);
            last = *tag;
        }
        ck_assert_int_gt(schedule_due_ms(s), now);
    }
    ck_assert_uint_eq(taken + schedule_count(s), N);
    schedule_free(s);
}
END_TEST

START_TEST(an_empty_schedule_has_nothing_due)
{
    struct schedule *s = schedule_new();
    ck_assert_ptr_null(schedule_take(s, INT64_MAX));
    ck_assert_int_eq(schedule_due_ms(s), INT64_MAX);
    schedule_free(s);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("schedule");
    tcase_add_test(tc, every_source_is_asked_once_a_period_in_its_own_phase);
    tcase_add_test(tc, a_clock_before_its_own_beginning_is_no_exception);
    tcase_add_test(tc, sources_spread_evenly_over_the_period);
    tcase_add_loop_test(tc, the_wait_doubles_with_each_failure_up_to_five_minutes, 0,
                        (int)(sizeof waits / sizeof *waits));
    tcase_add_test(tc, the_longest_due_comes_first);
    tcase_add_test(tc, an_empty_schedule_has_nothing_due);
    Suite *suite = suite_create("schedule");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
