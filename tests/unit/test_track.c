#include "risk_world.h"
#include "track_issued.h"

#include <check.h>
#include <stdlib.h>
#include <string.h>

/* Warnings come every 20 days at every third drive, never at the others: what only past warnings foretell. */
static struct world *restless_world(void)
{
    struct world *w = world_new(6, 3);
    for (size_t d = 0; d < w->fleet.drive_count; d += 3)
        for (int32_t day = TODAY - DAYS + 10 + (int32_t)d; day < TODAY; day += 20)
            add_episode(w, d, day, EPISODE_CLEARED_BY_ITSELF);
    return w;
}

static struct track *replay(struct world *w)
{
    struct track *t = arena_alloc(w->mem, sizeof *t);
    track_replay(&w->fleet, w->mem, t);
    return t;
}

START_TEST(a_replay_scores_all_methods_forward_in_time)
{
    struct world *w = restless_world();
    const struct track *t = replay(w);
    const struct track_horizon *h = &t->horizons[1];

    ck_assert_int_ge(t->first_day, TODAY - DAYS + TRACK_LEAD_DAYS);
    ck_assert_int_ge(t->scored_day, t->first_day + TRACK_LEARN_DAYS - TRACK_STEP_DAYS);
    ck_assert_uint_gt(h->forecasts, 200);
    ck_assert_uint_gt(h->faults, 60);
    ck_assert_double_gt(h->by[t->calibration.method].brier.skill, 0.8);
    ck_assert_double_gt(h->by[METHOD_COMBINED].brier.skill, h->by[METHOD_AGE].brier.skill + 0.5);
    ck_assert_double_gt(h->by[METHOD_COMBINED].area, 0.95);
    ck_assert_int_gt(t->called, 0);
    ck_assert_int_eq(t->called, t->called_right);
    size_t told = 0;
    for (int k = 0; k < SCORE_TENTHS; k++)
        told += h->tenths[k].count;
    ck_assert_uint_eq(told, h->forecasts - h->lost);
    world_free(w);
}
END_TEST

START_TEST(a_short_past_scores_nothing_and_keeps_the_sum)
{
    struct world *w = restless_world();
    struct fleet early;
    struct track t;
    replay_cut(&w->fleet, day_start_us(TODAY - DAYS + 100), w->mem, &early);
    track_replay(&early, w->mem, &t);
    ck_assert_int_eq(t.scored_dates, 0);
    ck_assert_uint_eq(t.horizons[0].forecasts, 0);
    ck_assert_int_eq(t.calibration.method, METHOD_SUM);
    ck_assert_ptr_nonnull(strstr(track_line(w->mem, &t, NULL), "No forecast of a pack is due yet"));
    world_free(w);
}
END_TEST

/* What is forecast and learned at a date is the same, whatever came after it. */
START_TEST(later_data_leave_earlier_forecasts)
{
    struct world *w = restless_world();
    struct fleet early;
    struct track before, after;
    int64_t at = day_start_us(TODAY - 40);
    replay_cut(&w->fleet, at, w->mem, &early);
    track_replay(&early, w->mem, &before);
    add_episode(w, 1, TODAY - 20, EPISODE_ENDED_IN_ALARM);
    add_work(w, fan_of(w, 5), TODAY - 30, WORK_REPLACED);
    fall(fan_of(w, 7), 35, 20);
    w->fleet.drives[5].fans[0].installed_day = TODAY - 30;
    replay_cut(&w->fleet, at, w->mem, &early);
    track_replay(&early, w->mem, &after);
    ck_assert_uint_eq(before.row_count, after.row_count);
    for (size_t i = 0; i < before.row_count; i++)
        ck_assert_mem_eq(before.rows[i].p, after.rows[i].p, sizeof before.rows[i].p);
    ck_assert_mem_eq(&before.calibration.combination, &after.calibration.combination,
                     sizeof before.calibration.combination);
    world_free(w);
}
END_TEST

START_TEST(a_calibration_is_used_and_its_parts_add_up)
{
    struct world *w = restless_world();
    const struct track *t = replay(w);
    struct assessment week, month;

    w->fleet.calibration = &t->calibration;
    risk_assess(&w->fleet, 7, w->mem, &week);
    risk_assess(&w->fleet, 30, w->mem, &month);
    double quiet[6] = {1, 1, 1, 1, 1, 1};
    for (size_t i = 0; i < month.ranked_count; i++) {
        const struct drive_risk *d = &month.ranked[i];
        ck_assert_double_le(d->interval[0], d->probability);
        ck_assert_double_le(d->probability, d->interval[1]);
        quiet[d->drive->machine - w->machines] *= 1 - d->probability;
    }
    for (size_t i = 0; i < month.ranked_count; i++) {
        const struct drive_risk *d = &month.ranked[i];
        ck_assert_double_eq_tol(d->machine_probability, 1 - quiet[d->drive->machine - w->machines], 1e-9);
        for (size_t k = 0; k < week.ranked_count; k++)
            if (week.ranked[k].drive == d->drive)
                ck_assert_double_le(week.ranked[k].probability, d->probability);
    }
    world_free(w);
}
END_TEST

START_TEST(each_method_can_be_the_one_that_is_used)
{
    struct world *w = restless_world();
    const struct drive *two = with_second_fan(w, 4);
    struct calibration c = replay(w)->calibration;

    w->fleet.calibration = &c;
    for (int m = 0; m < FORECAST_METHODS; m++) {
        struct assessment a;
        c.method = (enum forecast_method)m;
        risk_assess(&w->fleet, 45, w->mem, &a);
        for (size_t i = 0; i < a.ranked_count; i++) {
            const struct drive_risk *d = &a.ranked[i];
            ck_assert(d->probability > 0 && d->probability < 1);
            if (d->drive == two)
                ck_assert_double_eq_tol((1 - d->fans[0].probability) * (1 - d->fans[1].probability),
                                        1 - d->probability, 1e-9);
        }
    }
    world_free(w);
}
END_TEST

START_TEST(issued_forecasts_are_scored_once_due)
{
    struct world *w = world_new(1, 4);
    struct drive *d = w->fleet.drives;
    add_episode(w, 0, TODAY - 50, EPISODE_ENDED_IN_ALARM);
    add_work(w, &d[1].fans[0], TODAY - 50, WORK_REPLACED);
    const int64_t at = day_start_us(TODAY - 60);
    const struct issued issued[] = {
        {&d[0], at, 30, 0.9, true}, {&d[1], at, 30, 0.8, true},     {&d[2], at, 30, 0.1, false},
        {&d[3], at, 30, 0.6, true}, {&d[0], at + 1, 30, 0.9, true},
    };
    struct issued_record r;
    track_issued(&w->fleet, issued, sizeof issued / sizeof *issued, w->mem, &r);
    ck_assert_uint_eq(r.forecasts, 5);
    ck_assert_uint_eq(r.faults, 2);
    ck_assert_uint_eq(r.lost, 1);
    ck_assert_int_eq(r.called, 3);
    ck_assert_int_eq(r.called_right, 1);
    ck_assert_double_eq_tol(r.score.brier.score, (2 * 0.01 + 0.01 + 0.36) / 4, 1e-12);
    ck_assert_ptr_nonnull(strstr(track_line(w->mem, NULL, &r), "Of 3 drives called"));
    w->fleet.only_site = "elsewhere";
    track_issued(&w->fleet, issued, sizeof issued / sizeof *issued, w->mem, &r);
    ck_assert_uint_eq(r.forecasts, 0);
    world_free(w);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("track");
    TCase *cases = tcase_create("record");
    tcase_set_timeout(cases, 60);
    tcase_add_test(cases, a_replay_scores_all_methods_forward_in_time);
    tcase_add_test(cases, a_short_past_scores_nothing_and_keeps_the_sum);
    tcase_add_test(cases, later_data_leave_earlier_forecasts);
    tcase_add_test(cases, a_calibration_is_used_and_its_parts_add_up);
    tcase_add_test(cases, each_method_can_be_the_one_that_is_used);
    tcase_add_test(cases, issued_forecasts_are_scored_once_due);
    suite_add_tcase(suite, cases);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
