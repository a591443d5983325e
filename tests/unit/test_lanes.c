#include "lanes.h"

#include <check.h>

#include <stdlib.h>

enum { PLACES = 16, SLOW = 40, QUICK = 10 };

static const struct source of_slow_site = {.site = "slow", .source = "s"},
                           of_quick_site = {.site = "quick", .source = "q"};
static struct station slow[SLOW], quick[QUICK];
static struct lanes lanes;

static void set_up(void)
{
    lanes_init(&lanes, PLACES);
    for (int k = 0; k < SLOW; k++)
        slow[k] = (struct station){.source = &of_slow_site};
    for (int k = 0; k < QUICK; k++)
        quick[k] = (struct station){.source = &of_quick_site};
}

static void tear_down(void)
{
    lanes_release(&lanes);
}

static void put(struct station *stations, int count, int64_t due_ms)
{
    for (int k = 0; k < count; k++)
        lanes_put(&lanes, &stations[k], due_ms);
}

/* How many are asked now. */
static int ask_all(int64_t now_ms)
{
    int n = 0;
    for (struct station *st; (st = lanes_next(&lanes, now_ms)); n++)
        lanes_ask(&lanes, st, now_ms);
    return n;
}

START_TEST(a_site_alone_may_take_all_places)
{
    put(slow, SLOW, 0);
    ck_assert_int_eq(ask_all(0), PLACES);
    ck_assert_ptr_null(lanes_next(&lanes, 0));
}
END_TEST

START_TEST(a_slow_site_leaves_the_last_quarter_to_others)
{
    put(quick, QUICK, 100);
    put(slow, SLOW, 0);
    ck_assert_int_eq(ask_all(0), PLACES * 3 / 4);
    ck_assert_int_eq(ask_all(100), PLACES / 4);
    for (int k = 0; k < QUICK - PLACES / 4; k++) { /* while the slow site holds its places */
        lanes_answered(&lanes, &quick[k]);
        struct station *st = lanes_next(&lanes, 100);
        ck_assert_ptr_eq(st->source, &of_quick_site);
        lanes_ask(&lanes, st, 100);
    }
}
END_TEST

START_TEST(a_source_that_made_room_is_asked_before_its_later_neighbours)
{
    put(quick, 1, 100);
    put(slow, SLOW, 0);
    int asked = ask_all(0);
    lanes_answered(&lanes, &slow[0]);
    lanes_put(&lanes, &slow[0], 50);
    for (int k = 1; k < SLOW - asked; k++) {
        struct station *st = lanes_next(&lanes, 50);
        ck_assert_ptr_nonnull(st);
        ck_assert_ptr_ne(st, &slow[0]);
        lanes_ask(&lanes, st, 50);
        lanes_answered(&lanes, st);
    }
}
END_TEST

START_TEST(answers_that_take_long_give_their_places_free)
{
    put(slow, SLOW, 0);
    ask_all(0);
    lanes_doubt(&lanes, 500);
    ck_assert_uint_eq(lanes.under_way[LANE_SOUND], PLACES);
    lanes_doubt(&lanes, 5000);
    ck_assert_uint_eq(lanes.under_way[LANE_SOUND], 0);
    ck_assert_uint_eq(lanes.under_way[LANE_DOUBTFUL], PLACES);
    ck_assert_int_eq(ask_all(5000), PLACES);
}
END_TEST

START_TEST(an_answer_between_others_is_forgotten)
{
    put(slow, 3, 0);
    for (int k = 0; k < 3; k++)
        lanes_ask(&lanes, lanes_next(&lanes, 0), k);
    lanes_answered(&lanes, &slow[1]);
    lanes_answered(&lanes, &slow[0]);
    lanes_doubt(&lanes, 5000);
    ck_assert_uint_eq(lanes.under_way[LANE_DOUBTFUL], 1);
    ck_assert_int_eq(slow[2].lane, LANE_DOUBTFUL);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("lanes");
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, a_site_alone_may_take_all_places);
    tcase_add_test(tc, a_slow_site_leaves_the_last_quarter_to_others);
    tcase_add_test(tc, a_source_that_made_room_is_asked_before_its_later_neighbours);
    tcase_add_test(tc, answers_that_take_long_give_their_places_free);
    tcase_add_test(tc, an_answer_between_others_is_forgotten);
    Suite *suite = suite_create("lanes");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
