#include "risk_world.h"

#include <stdlib.h>

/* All have lost 4 % by dirt long ago; six of ten machines are cleaned and have it back: the others have not
 * fallen. */
START_TEST(cleaned_machines_are_no_season_for_the_others)
{
    struct world *w = world_new(12, 2);
    for (size_t i = 0; i < 24; i++)
        scale(fan_of(w, i), 1 - 0.02 * (double)(1 + i / 2 % 6), TODAY - 200);
    for (size_t i = 12; i < 24; i++) {
        int32_t cleaned = TODAY - 8 * (int32_t)(i / 2 - 3);
        scale(fan_of(w, i), 1 / (1 - 0.02 * (double)(1 + i / 2 % 6)), cleaned + 1);
        add_work(w, fan_of(w, i), cleaned, WORK_CLEANED);
    }
    struct assessment a = assess(w, 90);

    for (size_t i = 0; i < a.ranked_count; i++) {
        ck_assert_int_eq(a.ranked[i].fans[0].trend_days, 0);
        ck_assert_double_lt(a.ranked[i].fans[0].from_trend, 0.02);
        ck_assert_double_gt(a.ranked[i].fans[0].rate_per_day[1], -0.3);
    }
    world_free(w);
}
END_TEST

/* An unrecorded repair or another fan: the way from here begins after the step. */
START_TEST(a_step_is_no_trend)
{
    struct world *w = world_new(6, 2);
    scale(fan_of(w, 3), 0.93, TODAY - 25);
    scale(fan_of(w, 5), 1.06, TODAY - 25);
    struct assessment a = assess(w, 30);

    for (int i = 0; i < 2; i++) {
        const struct drive_risk *d = find_risk(&a, i ? "m02-d1" : "m01-d1");
        ck_assert_int_eq(d->fans[0].trend_days, 0);
        ck_assert_double_lt(d->fans[0].from_trend, 0.01);
        ck_assert(isnan(d->fans[0].days_to_warning[1]));
    }
    ck_assert_double_eq_tol(find_risk(&a, "m01-d1")->fans[0].peer_relative, 0.93, 0.01);
    world_free(w);
}
END_TEST

START_TEST(without_a_trend_it_is_said_how_likely_there_is_none)
{
    struct world *w = world_new(6, 2);
    fall(fan_of(w, 7), 40, 5);
    struct assessment a = assess(w, 30);
    const struct fan_risk *falling = &find_risk(&a, "m03-d1")->fans[0],
                          *steady = &find_risk(&a, "m02-d1")->fans[0];

    ck_assert_double_lt(falling->not_falling, 0.01);
    ck_assert_double_gt(steady->not_falling, 0.1);
    ck_assert_double_lt(falling->rate_per_day[0], falling->rate_per_day[2]);
    ck_assert_double_eq_tol(falling->rate_per_day[1], -5, 1);
    ck_assert_double_eq_tol(steady->rate_per_day[1], 0, 0.3);
    ck_assert(says(find_risk(&a, "m02-d1"), "no trend; warning speed"));
    world_free(w);
}
END_TEST

/* Five fans that fell to a speed and warned there, and were replaced. */
static void warn_at(struct world *w, double rpm)
{
    for (size_t i = 0; i < 5; i++) {
        struct fan *f = fan_of(w, 2 * i);
        int32_t day = TODAY - 200 - 5 * (int)i;
        size_t at = (size_t)(day - (TODAY - DAYS));
        f->days[at - 1].median = rpm * 1.01;
        f->days[at].median = rpm * 1.005;
        f->days[at].lowest = (float)(rpm * 0.97);
        add_episode(w, 2 * i, day, EPISODE_ENDED_IN_ALARM);
    }
}

START_TEST(a_warning_speed_is_learned_from_warnings)
{
    struct world *w = world_new(6, 2);
    warn_at(w, 1700);
    w->fan_model.warning_rpm = (double)NAN;
    struct assessment a = assess(w, 30);
    const struct fan_risk *f = &find_risk(&a, "m05-d1")->fans[0];

    ck_assert_double_eq_tol(f->warning_rpm, 1683, 20);
    ck_assert_str_eq(f->warning_from, "learned from 5 warnings at 1,649 to 1,717");
    w->fan_model.warning_rpm = 1690; /* agrees with them */
    a = assess(w, 30);
    f = &find_risk(&a, "m05-d1")->fans[0];
    ck_assert_double_eq(f->warning_rpm, 1690);
    ck_assert_str_eq(f->warning_from, "register");
    w->fan_model.warning_rpm = 2100; /* does not */
    a = assess(w, 30);
    ck_assert_double_eq_tol(find_risk(&a, "m05-d1")->fans[0].warning_rpm, 1683, 20);
    world_free(w);
}
END_TEST

START_TEST(faster_fans_of_the_same_wear_have_the_same_chances)
{
    struct world *w = world_new(6, 2), *fast = world_new(6, 2);
    fast->fan_model.rated_rpm *= 3;
    fast->fan_model.warning_rpm *= 3;
    for (size_t i = 0; i < 12; i++)
        scale(fan_of(fast, i), 3, 0);
    fall(fan_of(w, 7), 40, 5);
    fall(fan_of(fast, 7), 40, 15);
    struct assessment a = assess(w, 30), b = assess(fast, 30);

    for (size_t i = 0; i < 12; i++) {
        const struct fan_risk *f = &a.ranked[i].fans[0],
                              *g = &find_risk(&b, a.ranked[i].drive->drive)->fans[0];
        ck_assert_double_eq_tol(f->from_trend, g->from_trend, 1e-6);
        ck_assert_double_eq_tol(3 * f->rate_per_day[1], g->rate_per_day[1], 1e-3);
        ck_assert(isnan(f->days_to_warning[1]) == isnan(g->days_to_warning[1]));
    }
    world_free(w);
    world_free(fast);
}
END_TEST

START_TEST(too_few_warnings_teach_nothing)
{
    struct world *w = world_new(6, 2);
    w->fan_model.warning_rpm = (double)NAN;
    add_episode(w, 2, TODAY - 100, EPISODE_ENDED_IN_ALARM);
    struct assessment a = assess(w, 30);
    const struct fan_risk *f = &find_risk(&a, "m05-d1")->fans[0];

    ck_assert_double_eq_tol(f->warning_rpm, 0.8 * BASE_RPM, 1e-9);
    ck_assert_str_eq(f->warning_from, "80 % of rated speed, our default");
    w->fan_model.rated_rpm = (double)NAN;
    a = assess(w, 30);
    ck_assert_str_eq(find_risk(&a, "m05-d1")->fans[0].warning_from, "80 % of its own level, our default");
    world_free(w);
}
END_TEST

START_TEST(a_dip_below_the_warning_speed_is_said)
{
    struct world *w = world_new(6, 2);
    fan_of(w, 3)->days[DAYS - 9].lowest = 1810;
    fan_of(w, 5)->days[DAYS - 90].lowest = 1810; /* long ago */
    struct assessment a = assess(w, 30);
    ck_assert(says(find_risk(&a, "m01-d1"), "has dipped to 1,810 rev/min in the last 30 days"));
    ck_assert(!says(find_risk(&a, "m02-d1"), "has dipped"));
    world_free(w);
}
END_TEST

START_TEST(speeds_that_come_in_coarse_steps_make_no_trend)
{
    struct world *w = world_new(6, 2);
    struct fan *f = fan_of(w, 3);
    for (size_t k = 0; k < f->day_count; k++)
        f->days[k].median = 50 * floor(f->days[k].median / 50 + 0.5);
    struct assessment a = assess(w, 30);
    ck_assert_int_eq(find_risk(&a, "m01-d1")->fans[0].trend_days, 0);
    ck_assert_double_lt(find_risk(&a, "m01-d1")->fans[0].from_trend, 0.02);
    world_free(w);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("risk_speed");
    TCase *t = tcase_create("speed");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, cleaned_machines_are_no_season_for_the_others);
    tcase_add_test(t, a_step_is_no_trend);
    tcase_add_test(t, without_a_trend_it_is_said_how_likely_there_is_none);
    tcase_add_test(t, a_warning_speed_is_learned_from_warnings);
    tcase_add_test(t, faster_fans_of_the_same_wear_have_the_same_chances);
    tcase_add_test(t, too_few_warnings_teach_nothing);
    tcase_add_test(t, a_dip_below_the_warning_speed_is_said);
    tcase_add_test(t, speeds_that_come_in_coarse_steps_make_no_trend);
    suite_add_tcase(s, t);

    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_NORMAL);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
