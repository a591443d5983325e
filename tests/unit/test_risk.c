#include "life_report.h"
#include "risk_parts.h"
#include "risk_world.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

START_TEST(a_falling_fan_ranks_above_healthy_ones)
{
    struct world *w = world_new(6, 2);
    fall(fan_of(w, 7), 40, 9.5);
    struct assessment a = assess(w, 30);

    ck_assert_uint_eq(a.ranked_count, 12);
    ck_assert_uint_eq(a.unknown_count, 0);
    ck_assert_str_eq(a.ranked[0].drive->drive, "m03-d1");
    const struct fan_risk *f = &a.ranked[0].fans[0];
    ck_assert_double_gt(a.ranked[0].probability, 0.9);
    ck_assert_double_lt(a.ranked[1].probability, 0.1);
    ck_assert_int_eq(main_cause(&a.ranked[0]), CAUSE_WORN);
    ck_assert_double_eq_tol(f->slope_per_day, -9.5, 0.5);
    /* today's season has it at 2261 - 40 * 9.5 = 1881 today, 41 above the warning speed: 4.3 days */
    ck_assert_double_eq_tol(f->days_to_warning[1], 4.3, 0.7);
    ck_assert_double_le(f->days_to_warning[0], f->days_to_warning[1]);
    ck_assert_double_le(f->days_to_warning[1], f->days_to_warning[2]);
    ck_assert_int_eq(a.ranked[0].action, ACTION_NOW);
    ck_assert_int_eq(a.ranked[1].action, ACTION_WATCH);
    ck_assert(says(&a.ranked[0], "warning speed 1,840 expected in"));
    ck_assert(isnan(a.ranked[1].fans[0].days_to_warning[1]));
    world_free(w);
}
END_TEST

START_TEST(a_season_that_all_share_is_no_fall)
{
    struct world *w = world_new(6, 2);
    for (size_t i = 0; i < w->fleet.drive_count; i++)
        fall(fan_of(w, i), 60, 2); /* 5 % in two months */
    struct assessment a = assess(w, 30);

    for (size_t i = 0; i < a.ranked_count; i++) {
        const struct fan_risk *f = &a.ranked[i].fans[0];
        ck_assert_int_eq(f->trend_days, 0);
        ck_assert_double_eq_tol(f->peer_relative, 1, 0.01);
        ck_assert_double_lt(f->relative, 0.97);
        ck_assert_double_eq(f->cause_weight[CAUSE_WORN], 0);
    }
    world_free(w);
}
END_TEST

START_TEST(a_season_is_never_told_before_the_fall)
{
    struct world *w = world_new(6, 2);
    size_t fall_at = 0, season_at = 0;

    fall(fan_of(w, 0), 40, 3);
    struct assessment a = assess(w, 30);
    const struct drive_risk *d = find_risk(&a, "m00-d0");
    for (size_t k = 0; k < d->reason_count; k++) {
        fall_at = strstr(d->reasons[k], "runs at") && !strstr(d->reasons[k], "season") ? k + 1 : fall_at;
        season_at = strstr(d->reasons[k], "the season does not") ? k + 1 : season_at;
    }
    ck_assert_uint_gt(fall_at, 0);
    ck_assert_uint_gt(season_at, fall_at);
    world_free(w);
}
END_TEST

START_TEST(a_cabinet_that_falls_together_is_dirt)
{
    struct world *w = world_new(6, 4);
    for (size_t i = 8; i < 12; i++) /* all of machine 2 */
        fall(fan_of(w, i), 50, 4);
    struct assessment a = assess(w, 30);
    const struct drive_risk *d = find_risk(&a, "m02-d1");

    ck_assert_int_eq(main_cause(d), CAUSE_DIRT);
    ck_assert_double_gt(d->cause_weight[CAUSE_DIRT], 0.8);
    ck_assert_double_eq_tol(d->fans[0].cabinet_relative, 1 - 4 * 48.0 / BASE_RPM, 0.01);
    ck_assert(says(d, "The other fans of machine m02 have fallen too"));
    ck_assert_int_gt(d->fans[0].trend_days, 0); /* the fall is real, whatever its cause */
    ck_assert_double_eq_tol(find_risk(&a, "m03-d1")->fans[0].cabinet_relative, 1, 0.01);
    world_free(w);
}
END_TEST

START_TEST(a_replaced_fan_starts_anew)
{
    struct world *w = world_new(6, 2);
    struct fan *f = fan_of(w, 3);
    fall(f, 120, 3);
    add_work(w, f, TODAY - 30, WORK_REPLACED);
    for (size_t k = 0; k < f->day_count; k++)
        if (f->days[k].day > TODAY - 30)
            f->days[k].median = 2400 + scatter(3, f->days[k].day);
    struct assessment a = assess(w, 30);
    const struct drive_risk *d = find_risk(&a, "m01-d1");

    ck_assert_double_eq_tol(d->fans[0].baseline_rpm, 2400, 5);
    ck_assert_int_eq(d->fans[0].baseline_day, TODAY - 29);
    ck_assert_int_eq(d->fans[0].trend_days, 0);
    ck_assert_double_eq_tol(d->fans[0].age_hours, 24 * 30 + 3, 1e-9);
    ck_assert_double_lt(d->probability, 0.2);
    world_free(w);
}
END_TEST

START_TEST(cleaning_cannot_hide_a_worn_fan)
{
    struct world *w = world_new(6, 2);
    struct fan *f = fan_of(w, 3);
    scale(f, 0.9, TODAY - 100);
    add_work(w, f, TODAY - 40, WORK_CLEANED);
    struct assessment a = assess(w, 30);
    const struct drive_risk *d = find_risk(&a, "m01-d1");

    ck_assert_double_eq_tol(d->fans[0].peer_relative, 0.9, 0.01);
    ck_assert_double_gt(d->fans[0].baseline_rpm, 2200);
    world_free(w);
}
END_TEST

START_TEST(cleaning_that_helps_gives_a_higher_baseline)
{
    struct world *w = world_new(6, 2);
    struct fan *f = fan_of(w, 3);
    scale(f, 0.85, TODAY - DAYS);
    scale(f, 1 / 0.85, TODAY - 39);
    add_work(w, f, TODAY - 40, WORK_CLEANED);
    struct assessment a = assess(w, 30);
    const struct drive_risk *d = find_risk(&a, "m01-d1");

    ck_assert_double_gt(d->fans[0].baseline_rpm, 2200);
    ck_assert_int_eq(d->fans[0].baseline_day, TODAY - 39);
    world_free(w);
}
END_TEST

START_TEST(a_new_fan_has_no_baseline_of_its_own_yet)
{
    struct world *w = world_new(6, 2);
    add_work(w, fan_of(w, 3), TODAY - 5, WORK_REPLACED);
    w->fan_model.rated_rpm = 2500;
    struct assessment a = assess(w, 30);
    const struct fan_risk *f = &find_risk(&a, "m01-d1")->fans[0];

    ck_assert(!f->baseline_own);
    ck_assert_double_eq_tol(f->baseline_rpm, BASE_RPM, 60); /* its peers', not the rated speed */
    ck_assert(!isnan(f->probability));
    world_free(w);
}
END_TEST

START_TEST(a_half_speed_tachometer_is_a_measurement)
{
    struct world *w = world_new(6, 2);
    scale(fan_of(w, 5), 0.5, TODAY - DAYS);
    scale(fan_of(w, 8), 0.5, TODAY - 6); /* this one really runs at half its speed */
    struct assessment a = assess(w, 30);
    const struct drive_risk *d = find_risk(&a, "m02-d1");

    ck_assert_double_eq(d->fans[0].meter_factor, 0.5);
    ck_assert_int_eq(main_cause(d), CAUSE_MEASUREMENT);
    ck_assert_double_lt(d->probability, 0.1);
    ck_assert_int_eq(d->action, ACTION_WATCH);
    ck_assert(says(d, "0.50 times the speed of its model"));
    const struct drive_risk *slow = find_risk(&a, "m04-d0");
    ck_assert_double_eq(slow->fans[0].meter_factor, 1);
    ck_assert_int_eq(slow->action, ACTION_NOW);
    ck_assert_double_gt(slow->probability, 0.9);
    world_free(w);
}
END_TEST

START_TEST(what_cannot_be_judged_is_listed_with_its_reason)
{
    struct world *w = world_new(6, 2);
    fan_of(w, 1)->day_count -= 20; /* silent */
    fan_of(w, 2)->day_count = 0;   /* bound, but nothing ever came */
    fan_of(w, 4)->day_count = 0;   /* nothing is known of it at all */
    fan_of(w, 4)->bound = false;
    fan_of(w, 4)->installed_day = fan_of(w, 4)->registered_day = DAY_UNKNOWN;
    w->fleet.drives[6].fan_count = 0;
    struct assessment a = assess(w, 30);

    ck_assert_uint_eq(a.unknown_count, 4);
    ck_assert_uint_eq(a.ranked_count, 8);
    static const struct {
        const char *drive, *why;
    } cases[] = {{"m00-d1", "no speed for 20 days"},
                 {"m01-d0", "no speed has come yet"},
                 {"m02-d0", "its age is not known"},
                 {"m03-d0", "no fan of it is in the register"}};
    for (size_t i = 0; i < 4; i++) {
        ck_assert_str_eq(a.unknown[i].drive->drive, cases[i].drive);
        ck_assert_ptr_nonnull(strstr(a.unknown[i].unknown, cases[i].why));
        ck_assert(isnan(a.unknown[i].probability));
    }
    world_free(w);
}
END_TEST

START_TEST(a_fan_without_diagnostic_is_judged_by_its_age)
{
    struct world *w = world_new(6, 2);
    struct drive_model mute = {.drive_model = "d0", .reports_speed = ANSWER_NO, .internal_fans = 1};
    w->fleet.drives[4].model = &mute;
    fan_of(w, 4)->day_count = 0;
    fan_of(w, 4)->bound = false;
    for (size_t i = 6; i < 12; i++) { /* lives that ended, so that there is a life model */
        add_work(w, fan_of(w, i), TODAY - 200 - 10 * (int)i, WORK_REPLACED);
    }
    struct assessment a = assess(w, 30);
    const struct drive_risk *d = find_risk(&a, "m02-d0");

    ck_assert_ptr_null(d->unknown);
    ck_assert_double_gt(d->fans[0].from_life, 0.001);
    ck_assert(isnan(d->fans[0].from_trend));
    ck_assert_double_ge(d->probability, d->fans[0].from_life);
    ck_assert(says(d, "its drive has no speed diagnostic; judged by age and episodes only"));
    world_free(w);
}
END_TEST

START_TEST(one_silent_fan_of_two_is_left_out_and_said)
{
    struct world *w = world_new(6, 2);
    struct drive *d = with_second_fan(w, 2);
    d->fans[1].day_count -= 15;
    struct assessment a = assess(w, 30);
    const struct drive_risk *r = find_risk(&a, "m01-d0");

    ck_assert_ptr_null(r->unknown);
    ck_assert(!isnan(r->fans[0].probability));
    ck_assert(isnan(r->fans[1].probability));
    ck_assert(says(r, "Fan internal-2 is not in the number: no speed for 15 days"));
    world_free(w);
}
END_TEST

START_TEST(a_fan_that_stands_while_its_neighbours_run_is_due_now)
{
    struct world *w = world_new(6, 2);
    struct fan *f = fan_of(w, 5);
    for (size_t k = DAYS - 2; k < DAYS; k++) {
        f->days[k].median = (double)NAN;
        f->days[k].zero_readings = 1440;
    }
    struct assessment a = assess(w, 30);

    ck_assert_str_eq(a.ranked[0].drive->drive, "m02-d1");
    ck_assert(a.ranked[0].fans[0].stopped);
    ck_assert_double_ge(a.ranked[0].probability, 0.99);
    ck_assert_int_eq(a.ranked[0].action, ACTION_NOW);
    world_free(w);
}
END_TEST

/* Power went off just after midnight: some fans read once before, then zeros at all. */
START_TEST(a_machine_that_is_switched_off_has_no_stopped_fan)
{
    struct world *w = world_new(6, 2);
    for (size_t i = 0; i < 2; i++) {
        struct fan_day *last = &fan_of(w, i)->days[DAYS - 1];
        last->zero_readings = i ? 23 : 24;
        last->median = i ? last->median : (double)NAN;
    }
    struct assessment a = assess(w, 30);
    ck_assert(!find_risk(&a, "m00-d0")->fans[0].stopped);
    world_free(w);
}
END_TEST

START_TEST(an_open_fault_is_certain_and_said_first)
{
    struct world *w = world_new(6, 2);
    add_episode(w, 9, TODAY - 1, EPISODE_OPEN);
    struct assessment a = assess(w, 30);

    ck_assert_str_eq(a.ranked[0].drive->drive, "m04-d1");
    ck_assert_double_ge(a.ranked[0].probability, 0.99);
    ck_assert_int_eq(a.ranked[0].action, ACTION_NOW);
    ck_assert_ptr_nonnull(a.ranked[0].open);
    ck_assert_ptr_nonnull(strstr(a.ranked[0].reasons[0], "open since"));
    world_free(w);
}
END_TEST

START_TEST(an_open_fault_points_to_the_slower_of_two_fans)
{
    struct world *w = world_new(6, 2);
    struct drive *d = with_second_fan(w, 2);
    scale(&d->fans[1], 0.9, TODAY - 10);
    add_episode(w, 2, TODAY - 1, EPISODE_OPEN);
    struct assessment a = assess(w, 30);
    const struct drive_risk *r = find_risk(&a, "m01-d0");

    ck_assert_double_ge(r->fans[1].from_events, 0.99);
    ck_assert_double_lt(r->fans[0].from_events, 0.5);
    world_free(w);
}
END_TEST

START_TEST(warnings_that_clear_themselves_raise_the_risk_until_work_is_done)
{
    struct world *w = world_new(6, 2);
    for (int k = 0; k < 3; k++) {
        add_episode(w, 2, TODAY - 20 + 5 * k, EPISODE_CLEARED_BY_ITSELF);
        add_episode(w, 4, TODAY - 20 + 5 * k, EPISODE_CLEARED_BY_ITSELF);
    }
    add_work(w, fan_of(w, 4), TODAY - 8, WORK_CONNECTOR);
    struct assessment a = assess(w, 30);
    const struct drive_risk *ill = find_risk(&a, "m01-d0"), *mended = find_risk(&a, "m02-d0");

    ck_assert_int_eq(ill->recent_episodes, 3);
    ck_assert_int_eq(ill->recent_cleared, 3);
    ck_assert_double_gt(ill->probability, 0.3);
    ck_assert_int_eq(main_cause(ill), CAUSE_CONNECTOR);
    ck_assert_int_eq(mended->recent_episodes, 0);
    ck_assert_double_lt(mended->probability, ill->probability / 2);
    ck_assert(says(ill, "3 fan faults were reported"));
    world_free(w);
}
END_TEST

START_TEST(dropouts_count_unless_all_drop_out_together)
{
    struct world *w = world_new(6, 3);
    for (int k = 1; k <= 5; k++) {
        fan_of(w, 4)->days[DAYS - 3 * k].unavailable_readings = 12; /* alone in machine 1 */
        for (size_t i = 6; i < 9; i++)
            fan_of(w, i)->days[DAYS - 3 * k].unavailable_readings = 12; /* all of machine 2 */
    }
    struct assessment a = assess(w, 30);
    const struct drive_risk *alone = find_risk(&a, "m01-d1");

    ck_assert_int_eq(alone->fans[0].dropout_days, 5);
    ck_assert_int_eq(main_cause(alone), CAUSE_CONNECTOR);
    ck_assert_double_eq_tol(alone->fans[0].from_events, 0.25, 1e-9); /* no history yet: a quarter a month */
    ck_assert_int_eq(find_risk(&a, "m02-d1")->fans[0].dropout_days, 0);
    world_free(w);
}
END_TEST

START_TEST(repeated_replacements_point_to_the_board)
{
    struct world *w = world_new(6, 2);
    add_work(w, fan_of(w, 3), TODAY - 150, WORK_REPLACED);
    add_work(w, fan_of(w, 3), TODAY - 60, WORK_REPLACED);
    struct assessment a = assess(w, 30);

    ck_assert_int_eq(main_cause(find_risk(&a, "m01-d1")), CAUSE_BOARD);
    world_free(w);
}
END_TEST

START_TEST(a_hidden_warning_is_said)
{
    struct world *w = world_new(6, 2);
    w->fleet.drives[1].warning_hidden = ANSWER_YES;
    struct assessment a = assess(w, 30);

    ck_assert(says(find_risk(&a, "m00-d1"), "hides the warning"));
    ck_assert(!says(find_risk(&a, "m00-d0"), "hides the warning"));
    world_free(w);
}
END_TEST

START_TEST(a_longer_horizon_never_lowers_the_risk)
{
    static const int horizons[] = {1, 3, 7, 14, 30, 60, 90, 180, 365};
    struct world *w = world_new(6, 2);
    fall(fan_of(w, 7), 40, 5);
    add_episode(w, 2, TODAY - 20, EPISODE_CLEARED_BY_ITSELF);
    add_work(w, fan_of(w, 9), TODAY - 100, WORK_REPLACED);
    double before[12] = {0};

    for (size_t h = 0; h < sizeof horizons / sizeof *horizons; h++) {
        struct assessment a = assess(w, horizons[h]);
        for (size_t i = 0; i < 12; i++) {
            const struct drive_risk *d = find_risk(&a, w->fleet.drives[i].drive);
            ck_assert_double_ge(d->probability, before[i]);
            ck_assert_double_le(d->interval[0], d->probability);
            ck_assert_double_ge(d->interval[1], d->probability);
            ck_assert_double_le(d->interval[1], 1);
            before[i] = d->probability;
        }
    }
    ck_assert_double_gt(before[7], 0.9);
    world_free(w);
}
END_TEST

START_TEST(dearest_first_and_without_a_cost_last)
{
    struct world *w = world_new(6, 1);
    fall(fan_of(w, 1), 40, 10);
    fall(fan_of(w, 4), 40, 10);
    fall(fan_of(w, 2), 40, 11);
    w->machines[4].stop_cost_per_hour = 5000;
    w->machines[2].stop_cost_per_hour = (double)NAN;
    struct assessment a = assess(w, 30);

    ck_assert_str_eq(a.ranked[0].drive->drive, "m04-d0");
    ck_assert_str_eq(a.ranked[1].drive->drive, "m01-d0");
    ck_assert_str_eq(a.ranked[5].drive->drive, "m02-d0");
    ck_assert(isnan(a.ranked[5].expected_cost));
    ck_assert_double_eq_tol(a.ranked[0].expected_cost, a.ranked[0].probability * 4 * 5000, 1e-9);
    for (size_t i = 1; i < 5; i++)
        ck_assert_double_le(a.ranked[i].expected_cost, a.ranked[i - 1].expected_cost);
    world_free(w);
}
END_TEST

/* All numbers and sentences of an assessment. */
static char *printed(const struct assessment *a, struct arena *mem)
{
    char *text = arena_strdup(mem, "");
    for (size_t i = 0; i < a->ranked_count; i++) {
        const struct drive_risk *d = &a->ranked[i];
        text = arena_printf(mem, "%s%s %.17g %.17g %.17g %.17g %d\n", text, d->drive->drive, d->probability,
                            d->interval[0], d->interval[1], d->expected_cost, (int)d->action);
        for (size_t k = 0; k < d->reason_count; k++)
            text = arena_printf(mem, "%s%s\n", text, d->reasons[k]);
    }
    for (size_t i = 0; i < a->unknown_count; i++)
        text = arena_printf(mem, "%s%s: %s\n", text, a->unknown[i].drive->drive, a->unknown[i].unknown);
    return text;
}

START_TEST(the_order_in_which_fans_are_listed_changes_nothing)
{
    struct world *w = world_new(6, 2);
    fall(fan_of(w, 7), 40, 5);
    fan_of(w, 1)->day_count -= 20;
    add_episode(w, 2, TODAY - 20, EPISODE_CLEARED_BY_ITSELF);
    add_work(w, fan_of(w, 9), TODAY - 100, WORK_REPLACED);
    struct assessment a = assess(w, 30);
    char *before = printed(&a, w->mem);

    struct drive *turned = arena_array(w->mem, struct drive, 12);
    for (size_t i = 0; i < 12; i++) {
        turned[i] = w->fleet.drives[(i * 5 + 3) % 12];
        for (size_t k = 0; k < turned[i].fan_count; k++)
            turned[i].fans[k].drive = &turned[i];
    }
    w->fleet.drives = turned;
    a = assess(w, 30);
    ck_assert_str_eq(printed(&a, w->mem), before);
    world_free(w);
}
END_TEST

START_TEST(the_drives_of_one_site_have_the_same_numbers_alone)
{
    struct world *w = world_new(8, 2);
    struct site *sites = arena_array(w->mem, struct site, 2);
    sites[0] = w->site;
    sites[1] = (struct site){.site = "lakeside", .name = "Lakeside", .time_zone = "UTC", .paper = "A4"};
    for (size_t m = 0; m < 8; m++)
        w->machines[m].site = &sites[m / 4];
    w->fleet.sites = sites;
    w->fleet.site_count = 2;
    fall(fan_of(w, 13), 40, 5);
    struct assessment all = assess(w, 30);
    w->fleet.only_site = "lakeside";
    struct assessment one = assess(w, 30);

    ck_assert_uint_eq(all.ranked_count, 16);
    ck_assert_uint_eq(one.ranked_count, 8);
    for (size_t i = 0; i < 8; i++)
        ck_assert_double_eq(one.ranked[i].probability,
                            find_risk(&all, one.ranked[i].drive->drive)->probability);
    world_free(w);
}
END_TEST

START_TEST(lives_begin_late_end_by_failure_and_go_on)
{
    struct world *w = world_new(1, 3);
    struct work *work;
    struct lifetime *lives;

    /* drive 0: fitted 700 days ago, seen from the first day of records on, worn after 400 days */
    add_work(w, fan_of(w, 0), TODAY - 300, WORK_REPLACED);
    /* drive 1: changed in good time; the register does not know when the first fan was fitted */
    fan_of(w, 1)->registered_day = DAY_UNKNOWN;
    add_work(w, fan_of(w, 1), TODAY - 100, WORK_REPLACED);
    /* drive 2: an alarm, but the connector was the cause; 1000 hours old when it was fitted */
    fan_of(w, 2)->registered_hours = 1000;
    add_work(w, fan_of(w, 2), TODAY - 200, WORK_REPLACED);
    work = fan_of(w, 2)->work;
    work[0].finding = "connector";
    size_t n = risk_lifetimes(&w->fleet, NULL, w->mem, &lives);

    static const struct lifetime want[] = {
        {.entry = 0, .exit = 100 * 24 + 3, .failed = false},
        {.entry = 0, .exit = 200 * 24 + 3, .failed = false},
        {.entry = 0, .exit = 300 * 24 + 3, .failed = false},
        {.entry = 335 * 24, .exit = 400 * 24 + 10, .failed = true},
        {.entry = 1000 + 335 * 24, .exit = 1000 + 500 * 24 + 10, .failed = false},
    };
    ck_assert_uint_eq(n, 5);
    for (size_t i = 0; i < n; i++) {
        ck_assert_double_eq_tol(lives[i].entry, want[i].entry, 1e-9);
        ck_assert_double_eq_tol(lives[i].exit, want[i].exit, 1e-9);
        ck_assert_int_eq(lives[i].failed, want[i].failed);
        ck_assert_double_eq(lives[i].count, 1);
    }
    world_free(w);
}
END_TEST

START_TEST(work_tells_wear_from_what_is_not)
{
    static const struct {
        enum work_action action;
        const char *reason, *finding;
        int cause;
    } rows[] = {
        {WORK_REPLACED, "alarm", "worn", CAUSE_WORN},
        {WORK_REPLACED, "alarm", NULL, CAUSE_WORN},
        {WORK_REPLACED, "warning", "blocked", CAUSE_WORN},
        {WORK_REPLACED, "age", "worn", CAUSE_WORN},
        {WORK_REPLACED, "age", NULL, -1},
        {WORK_REPLACED, "alarm", "none", -1},
        {WORK_REPLACED, "alarm", "dirty", CAUSE_DIRT},
        {WORK_CLEANED, "warning", "dirty", CAUSE_DIRT},
        {WORK_CLEANED, "alarm", NULL, CAUSE_DIRT},
        {WORK_CLEANED, "opportunity", "dirty", -1},
        {WORK_RESEATED, "warning", NULL, CAUSE_CONNECTOR},
        {WORK_RESEATED, "alarm", "loose", CAUSE_CONNECTOR},
        {WORK_CONNECTOR, "alarm", "unknown", CAUSE_CONNECTOR},
        {WORK_BOARD, "alarm", NULL, CAUSE_BOARD},
        {WORK_NONE, "alarm", NULL, -1},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const struct work w = {
            .action = rows[i].action, .reason = rows[i].reason, .finding = rows[i].finding};
        ck_assert_msg(risk_cause_of(&w) == rows[i].cause, "row %zu: %d", i, risk_cause_of(&w));
    }
}
END_TEST

/* A second fan model, of which none has failed. */
START_TEST(a_fan_model_without_a_failure_borrows)
{
    struct world *w = world_new(2, 12);
    struct fan_model *models = arena_array(w->mem, struct fan_model, 2);
    models[0] = models[1] = w->fan_model;
    models[0].fan_model = "breeze-40"; /* before the other in order of keys */
    for (size_t i = 0; i < 24; i++)
        fan_of(w, i)->model = &models[i < 12];
    for (size_t i = 0; i < 8; i++)
        add_work(w, fan_of(w, i), TODAY - 300 + 20 * (int)i, WORK_REPLACED);
    w->fleet.fan_models = models;
    w->fleet.fan_model_count = 2;
    struct assessment a = assess(w, 30);
    const struct life_model *never = risk_life_of(&a, &models[0]), *often = risk_life_of(&a, &models[1]);

    ck_assert(a.life.own[0].method == LIFE_NO_FAILURE && never->method == LIFE_POOLED);
    ck_assert_double_eq(never->failures, 0);
    ck_assert_double_eq(often->failures, 8);
    ck_assert(never->borrowed > 0 && never->borrowed < 1);
    double p = life_conditional(never, 10000, 2000);
    ck_assert(p > 0 && p < life_conditional(often, 10000, 2000));
    world_free(w);
}
END_TEST

/* Two sites with the same fans, but those of one wear out far sooner. */
START_TEST(fans_age_faster_where_more_of_them_wear_out)
{
    struct world *w = world_new(2, 40);
    struct site *sites = arena_array(w->mem, struct site, 2);
    sites[0] = sites[1] = w->site;
    sites[0].site = "bakery";
    for (size_t m = 0; m < 2; m++)
        w->machines[m].site = &sites[m];
    for (size_t i = 0; i < 30; i++)
        add_work(w, fan_of(w, i), TODAY - 330 + 10 * (int)i, WORK_REPLACED);
    add_work(w, fan_of(w, 60), TODAY - 100, WORK_REPLACED);
    w->fleet.sites = sites;
    w->fleet.site_count = 2;
    struct assessment a = assess(w, 30);
    ck_assert_msg(a.life.pace[0] > 1.05 && a.life.pace[1] < 0.95, "pace %g and %g", a.life.pace[0],
                  a.life.pace[1]);
    ck_assert(find_risk(&a, "m00-d39")->fans[0].from_life > find_risk(&a, "m01-d39")->fans[0].from_life);

    for (size_t i = 40; i < 70; i++)
        if (i != 60)
            add_work(w, fan_of(w, i), TODAY - 330 + 10 * (int)(i - 40), WORK_REPLACED);
    a = assess(w, 30);
    ck_assert_msg(a.life.pace[0] == 1 && a.life.pace[1] == 1, "alike: pace %g and %g", a.life.pace[0],
                  a.life.pace[1]);
    world_free(w);
}
END_TEST

/* Two worn, one dirty, one loose connector, and a place where fans are changed faster and faster. */
START_TEST(the_report_keeps_causes_and_places_apart)
{
    struct world *w = world_new(2, 4);
    struct life_report r;
    add_work(w, fan_of(w, 0), TODAY - 250, WORK_REPLACED);
    add_work(w, fan_of(w, 1), TODAY - 200, WORK_CLEANED);
    add_work(w, fan_of(w, 2), TODAY - 150, WORK_RESEATED);
    fan_of(w, 2)->work[0].finding = "loose";
    add_work(w, fan_of(w, 3), TODAY - 60, WORK_REPLACED);
    for (int k = 0; k < 5; k++)
        add_work(w, fan_of(w, 3), TODAY - 25 + 5 * k, WORK_REPLACED);
    struct assessment a = assess(w, 30);
    life_report_of(&a, w->mem, &r);

    ck_assert_uint_eq(r.group_count, 2);
    ck_assert_double_eq(r.groups[0].model.failures, 7);
    ck_assert_uint_eq(r.causes.count, 3);
    ck_assert_str_eq(r.causes.list[0].cause, cause_word(CAUSE_WORN));
    ck_assert_double_eq(r.causes.list[0].events, 7);
    ck_assert_double_eq(r.causes.list[1].events, 1);
    ck_assert_double_eq(r.causes.list[2].events, 1);
    ck_assert_double_eq_tol(r.causes.hours, 8 * (365 * 24 + 3), 1e-6);
    ck_assert(r.causes.list[1].limits[0] < r.causes.list[1].rate);
    ck_assert_double_eq(r.places.places, 8);
    ck_assert_double_eq(r.places.events, 7);
    ck_assert_double_eq_tol(r.places.mean, 7 / 8., 1e-12);
    ck_assert_uint_eq(r.places.worse_count, 1);
    ck_assert_str_eq(r.places.worse[0].drive, "m00-d3");
    world_free(w);
}
END_TEST

START_TEST(an_empty_fleet_is_no_failure)
{
    struct world *w = world_new(0, 0);
    struct assessment a = assess(w, 30);
    ck_assert_uint_eq(a.ranked_count + a.unknown_count, 0);
    world_free(w);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("risk");
    TCase *t = tcase_create("risk");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_falling_fan_ranks_above_healthy_ones);
    tcase_add_test(t, a_machine_that_is_switched_off_has_no_stopped_fan);
    tcase_add_test(t, a_season_that_all_share_is_no_fall);
    tcase_add_test(t, a_season_is_never_told_before_the_fall);
    tcase_add_test(t, a_cabinet_that_falls_together_is_dirt);
    tcase_add_test(t, a_replaced_fan_starts_anew);
    tcase_add_test(t, cleaning_cannot_hide_a_worn_fan);
    tcase_add_test(t, cleaning_that_helps_gives_a_higher_baseline);
    tcase_add_test(t, a_new_fan_has_no_baseline_of_its_own_yet);
    tcase_add_test(t, a_half_speed_tachometer_is_a_measurement);
    tcase_add_test(t, what_cannot_be_judged_is_listed_with_its_reason);
    tcase_add_test(t, a_fan_without_diagnostic_is_judged_by_its_age);
    tcase_add_test(t, one_silent_fan_of_two_is_left_out_and_said);
    tcase_add_test(t, a_fan_that_stands_while_its_neighbours_run_is_due_now);
    tcase_add_test(t, an_open_fault_is_certain_and_said_first);
    tcase_add_test(t, an_open_fault_points_to_the_slower_of_two_fans);
    tcase_add_test(t, warnings_that_clear_themselves_raise_the_risk_until_work_is_done);
    tcase_add_test(t, dropouts_count_unless_all_drop_out_together);
    tcase_add_test(t, repeated_replacements_point_to_the_board);
    tcase_add_test(t, a_hidden_warning_is_said);
    tcase_add_test(t, a_longer_horizon_never_lowers_the_risk);
    tcase_add_test(t, dearest_first_and_without_a_cost_last);
    tcase_add_test(t, the_order_in_which_fans_are_listed_changes_nothing);
    tcase_add_test(t, the_drives_of_one_site_have_the_same_numbers_alone);
    tcase_add_test(t, lives_begin_late_end_by_failure_and_go_on);
    tcase_add_test(t, work_tells_wear_from_what_is_not);
    tcase_add_test(t, a_fan_model_without_a_failure_borrows);
    tcase_add_test(t, the_report_keeps_causes_and_places_apart);
    tcase_add_test(t, fans_age_faster_where_more_of_them_wear_out);
    tcase_add_test(t, an_empty_fleet_is_no_failure);
    suite_add_tcase(s, t);

    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_NORMAL);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
