#include "replay.h"
#include "risk_world.h"

#include <check.h>
#include <stdlib.h>
#include <string.h>

enum { PAST = TODAY - 60 };

static int64_t past_us(double days)
{
    return day_start_us(PAST) + (int64_t)((6.0 / 24 + days) * (double)US_PER_DAY);
}

static struct fleet cut_of(const struct world *w)
{
    struct fleet cut;
    replay_cut(&w->fleet, past_us(0), w->mem, &cut);
    return cut;
}

static void give_episode(struct world *w, struct drive *d, double began, double ended)
{
    d->episodes =
        arena_grow(w->mem, d->episodes, d->episode_count, d->episode_count + 1, sizeof *d->episodes);
    d->episodes[d->episode_count++] = (struct episode){
        .fault = FAULT_FAN,
        .began_us = past_us(began),
        .alarm_us = past_us(ended),
        .ended_us = past_us(ended),
        .outcome = EPISODE_ENDED_IN_ALARM,
        .reports = 3,
    };
}

START_TEST(a_cut_holds_what_was_dated_before)
{
    struct world *w = world_new(1, 2);
    struct drive *d = &w->fleet.drives[0];
    give_episode(w, d, -9, -8);
    give_episode(w, d, -1, 2);
    give_episode(w, d, 5, 6);
    add_work(w, &d->fans[0], PAST - 20, WORK_REPLACED);
    add_work(w, &d->fans[0], PAST + 20, WORK_REPLACED);
    d->fans[0].installed_day = PAST + 20;
    w->fleet.drives[1].fans[0].registered_day = w->fleet.drives[1].fans[0].installed_day = PAST + 1;
    struct fleet cut = cut_of(w);

    const struct drive *c = &cut.drives[0];
    ck_assert_int_eq(c->fans[0].days[c->fans[0].day_count - 1].day, PAST - 1);
    ck_assert_uint_eq(c->fans[0].work_count, 1);
    ck_assert_int_eq(c->fans[0].installed_day, PAST - 20);
    ck_assert_int_eq(cut.drives[1].fans[0].installed_day, DAY_UNKNOWN);
    ck_assert_ptr_eq(c->fans[0].drive, c);
    ck_assert_uint_eq(c->episode_count, 2);
    ck_assert_int_eq(c->episodes[0].outcome, EPISODE_ENDED_IN_ALARM);
    ck_assert_int_eq(c->episodes[1].outcome, EPISODE_OPEN);
    ck_assert(c->episodes[1].ended_us == TIME_UNKNOWN && c->episodes[1].alarm_us == TIME_UNKNOWN);
    /* the whole is as it was */
    ck_assert_uint_eq(d->episode_count, 3);
    ck_assert_int_eq(d->episodes[1].outcome, EPISODE_ENDED_IN_ALARM);
    ck_assert_uint_eq(d->fans[0].day_count, DAYS);
    world_free(w);
}
END_TEST

START_TEST(what_becomes_of_a_drive)
{
    struct world *w = world_new(1, 4);
    struct drive *d = w->fleet.drives;
    give_episode(w, &d[0], -9, 0.5);
    give_episode(w, &d[0], 5, 6);
    add_work(w, &d[0].fans[0], PAST + 8, WORK_REPLACED);
    add_work(w, &d[1].fans[0], PAST + 8, WORK_CLEANED);
    add_work(w, &d[2].fans[0], PAST + 8, WORK_REPLACED);
    give_episode(w, &d[2], 20, 21);
    int64_t until = past_us(30);

    struct replay_outcome o = replay_outcome(&d[0], past_us(0), until);
    ck_assert_int_eq(o.fate, FATE_FAULT);
    ck_assert_double_eq_tol(o.days, 5, 1e-9);
    ck_assert_int_eq(replay_outcome(&d[1], past_us(0), until).fate, FATE_OPEN);
    ck_assert_double_eq_tol(replay_outcome(&d[1], past_us(0), until).days, 30, 1e-9);
    ck_assert_int_eq(replay_outcome(&d[2], past_us(0), until).fate, FATE_CHANGED);
    ck_assert_int_eq(replay_outcome(&d[0], past_us(0), past_us(4)).fate, FATE_OPEN);
    ck_assert(replay_in_fault(&d[0], past_us(0)));
    ck_assert(!replay_in_fault(&d[0], past_us(1)) && !replay_in_fault(&d[2], past_us(0)));
    world_free(w);
}
END_TEST

static unsigned draw(unsigned *dice, unsigned below)
{
    *dice = *dice * 1664525u + 1013904223u;
    return (*dice >> 8) % below;
}

/* Things that happen to drives after the moment of the cut, of all kinds. */
static void go_on(struct world *w, unsigned *dice)
{
    for (int n = 0; n < 12; n++) {
        struct drive *d = &w->fleet.drives[draw(dice, (unsigned)w->fleet.drive_count)];
        struct fan *f = &d->fans[0];
        double at = 0.01 + draw(dice, 5000) / 100.0;
        int32_t day = PAST + 1 + (int32_t)draw(dice, 50);
        switch (draw(dice, 5)) {
        case 0:
            give_episode(w, d, at, at + 1);
            break;
        case 1: /* one that was open goes on or ends, now or later */
            for (size_t i = 0; i < d->episode_count; i++)
                if (d->episodes[i].ended_us > past_us(0))
                    d->episodes[i].ended_us = draw(dice, 2) ? past_us(at) : TIME_UNKNOWN;
            break;
        case 2:
            add_work(w, f, day, (enum work_action)draw(dice, WORK_NONE + 1));
            break;
        case 3:
            scale(f, 0.5 + draw(dice, 100) / 100.0, PAST);
            break;
        default:
            f->day_count -= f->days[f->day_count - 1].day >= PAST + 5;
        }
    }
    w->fleet.as_of_us += draw(dice, 400) * US_PER_HOUR;
}

static void same_double(double a, double b)
{
    ck_assert(memcmp(&a, &b, sizeof a) == 0 || (isnan(a) && isnan(b)));
}

static void same_forecasts(const struct assessment *a, const struct assessment *b)
{
    ck_assert_uint_eq(a->ranked_count, b->ranked_count);
    ck_assert_uint_eq(a->unknown_count, b->unknown_count);
    for (size_t i = 0; i < a->ranked_count; i++) {
        const struct drive_risk *x = &a->ranked[i], *y = &b->ranked[i];
        ck_assert_str_eq(x->drive->drive, y->drive->drive);
        same_double(x->probability, y->probability);
        same_double(x->interval[0], y->interval[0]);
        same_double(x->interval[1], y->interval[1]);
        ck_assert_int_eq(x->action, y->action);
        ck_assert_uint_eq(x->reason_count, y->reason_count);
        for (size_t k = 0; k < x->reason_count; k++)
            ck_assert_str_eq(x->reasons[k], y->reasons[k]);
    }
}

START_TEST(nothing_later_leaks_into_a_cut)
{
    unsigned dice = 20264;
    for (int round = 0; round < 20; round++) {
        struct world *w = world_new(4, 3);
        fall(fan_of(w, 2), 90, 4);
        add_work(w, fan_of(w, 4), PAST - 30, WORK_REPLACED);
        give_episode(w, &w->fleet.drives[1], -40, -39);
        give_episode(w, &w->fleet.drives[3], -2, 7);
        struct assessment before, after;
        struct fleet cut = cut_of(w);
        risk_assess(&cut, 30, w->mem, &before);
        go_on(w, &dice);
        struct fleet again = cut_of(w);
        risk_assess(&again, 30, w->mem, &after);
        same_forecasts(&before, &after);
        world_free(w);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("replay");
    TCase *cases = tcase_create("cuts");
    tcase_add_test(cases, a_cut_holds_what_was_dated_before);
    tcase_add_test(cases, what_becomes_of_a_drive);
    tcase_add_test(cases, nothing_later_leaks_into_a_cut);
    suite_add_tcase(suite, cases);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
