#include "clock_watch.h"

#include <check.h>

#include <stdlib.h>

START_TEST(a_clock_that_runs_is_nothing_to_tell)
{
    struct clock_watch w = {0};
    for (int64_t ms = 0; ms < 100000; ms += 250) /* corrected by 5 ms a second all the time */
        ck_assert_int_eq(clock_watch_step(&w, INT64_C(1764000000000000) + ms * 1005, 777 + ms), 0);
}
END_TEST

START_TEST(a_step_is_told_once_with_its_size)
{
    static const struct {
        int64_t step_ms, told_ms;
    } cases[] = {{-3600000, -3600000}, {7200000, 7200000}, {1001, 1001},
                 {-1001, -1001},       {1000, 0},          {-1000, 0}};
    for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
        struct clock_watch w = {0};
        int64_t wall_us = INT64_C(1764000000000000), step_us = cases[k].step_ms * 1000;
        ck_assert_int_eq(clock_watch_step(&w, wall_us, 5000), 0);
        ck_assert_int_eq(clock_watch_step(&w, wall_us + 250000 + step_us, 5250), cases[k].told_ms);
        ck_assert_int_eq(clock_watch_step(&w, wall_us + 500000 + step_us, 5500), 0);
    }
}
END_TEST

START_TEST(a_program_that_was_stopped_sees_no_step)
{
    struct clock_watch w = {0};
    ck_assert_int_eq(clock_watch_step(&w, INT64_C(1764000000000000), 5000), 0);
    ck_assert_int_eq(clock_watch_step(&w, INT64_C(1764000060000000), 65000), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("clock_watch");
    TCase *all = tcase_create("all");
    suite_add_tcase(suite, all);
    tcase_add_test(all, a_clock_that_runs_is_nothing_to_tell);
    tcase_add_test(all, a_step_is_told_once_with_its_size);
    tcase_add_test(all, a_program_that_was_stopped_sees_no_step);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
