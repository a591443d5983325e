#include "server.h"

#include "fleet_forecasts.h"

#include <check.h>
#include <stdlib.h>
#include <string.h>

static struct server *server;
static struct db *db;
static struct arena *mem;
static struct err err;

static void start_server(void)
{
    server = server_start(NULL);
}

static const char a_register[] = "INSERT INTO vaneward.site (site, time_zone) VALUES ('north', 'UTC');"
                                 "INSERT INTO vaneward.machine (site, machine) VALUES ('north', 'mill-1');"
                                 "INSERT INTO vaneward.drive (site, drive, machine) VALUES ('north', "
                                 "'alpha', 'mill-1'), ('north', 'beta', 'mill-1');";

static void open_session(void)
{
    mem = arena_new(SIZE_MAX);
    ck_assert_msg(db_open(&db, server_prepared_database(server), "test", &err), "%s", err.text);
    ck_assert_msg(db_script(db, "setup", a_register, &err), "%s", err.text);
}

static void close_session(void)
{
    db_close(db);
    arena_free(mem);
}

static struct fleet fleet_at(int64_t as_of_us)
{
    struct fleet f;
    ck_assert_msg(fleet_read(db, NULL, as_of_us, mem, &f, &err), "%s", err.text);
    return f;
}

/* Every number another one. */
static struct track some_track(void)
{
    struct track t = {
        .first_day = 20000, .scored_day = 20120, .last_day = 20300, .scored_dates = 20, .called = 7};
    struct calibration *c = &t.calibration;
    double x = 0.1;

    c->as_of_us = day_start_us(20310);
    c->method = METHOD_COMBINED;
    c->dates = 30;
    for (int i = 0; i < FORECAST_TERMS; i++)
        c->combination.term[i] = x += 1.0 / 3;
    for (int i = 0; i < FORECAST_TERMS * FORECAST_TERMS; i++)
        c->combination.covariance[i] = x += 1.0 / 3;
    for (int r = 0; r < RIVALS; r++)
        for (int k = 0; k < RIVAL_CLASSES; k++)
            for (int s = 0; s < FORECAST_SPANS; s++) {
                c->rivals[r].hazard[k][s] = x += 1.0 / 3;
                c->rivals[r].error[k][s] = x += 1.0 / 3;
            }
    t.horizons[1] = (struct track_horizon){.days = 30, .forecasts = 500, .faults = 20, .lost = 3};
    t.horizons[1].by[METHOD_COMBINED].brier.skill = 0.25;
    t.horizons[1].by[METHOD_AGE].area = (double)NAN;
    t.horizons[1].tenths[9] =
        (struct score_tenth){.count = 4, .forecast = 0.93, .observed = 0.75, .error = 0.3};
    return t;
}

START_TEST(a_calibration_comes_back_as_it_was_stored)
{
    struct track t = some_track();
    const int64_t known = day_start_us(20311);
    ck_assert_msg(fleet_store_track(db, &t, known, &err), "%s", err.text);
    struct fleet before = fleet_at(known - 1), f = fleet_at(known);

    ck_assert_ptr_null(before.calibration);
    ck_assert_ptr_nonnull(f.calibration);
    ck_assert_int_eq(f.calibration->known_us, known);
    ck_assert_int_eq(f.calibration->method, METHOD_COMBINED);
    ck_assert_mem_eq(&f.calibration->combination, &t.calibration.combination,
                     sizeof t.calibration.combination);
    ck_assert_mem_eq(f.calibration->rivals, t.calibration.rivals, sizeof t.calibration.rivals);
    ck_assert_int_eq(f.track->scored_day, 20120);
    ck_assert_int_eq(f.track->called, 7);
    const struct track_horizon *h = &f.track->horizons[1];
    ck_assert_uint_eq(h->forecasts, 500);
    ck_assert_double_eq(h->by[METHOD_COMBINED].brier.skill, 0.25);
    ck_assert(h->by[METHOD_AGE].area != h->by[METHOD_AGE].area);
    ck_assert_double_eq(h->tenths[9].forecast, 0.93);
    ck_assert_uint_eq(f.track->horizons[0].forecasts, 0);
}
END_TEST

START_TEST(the_newest_that_was_known_is_used)
{
    struct track t = some_track();
    ck_assert(fleet_store_track(db, &t, day_start_us(20311), &err));
    t.calibration.method = METHOD_SPEED;
    ck_assert(fleet_store_track(db, &t, day_start_us(20400), &err));
    ck_assert_int_eq(fleet_at(day_start_us(20350)).calibration->method, METHOD_COMBINED);
    ck_assert_int_eq(fleet_at(day_start_us(20400)).calibration->method, METHOD_SPEED);
}
END_TEST

START_TEST(forecasts_are_kept_once_and_told_when_due)
{
    const int64_t now = clock_now_us(), at = now - 10 * US_PER_DAY;
    struct fleet f = fleet_at(at);
    struct drive_risk ranked[2] = {
        {.drive = &f.drives[0], .probability = 0.7, .interval = {0.5, 0.9}, .action = ACTION_THIS_WEEK},
        {.drive = &f.drives[1], .probability = 0.1, .interval = {0, 0.2}, .action = ACTION_WATCH}};
    struct assessment a = {.fleet = &f, .horizon_days = 7, .ranked = ranked, .ranked_count = 2};
    struct issued *issued;
    size_t n;

    ck_assert_msg(fleet_store_forecasts(db, &a, &err), "%s", err.text);
    ranked[0].probability = 0.2; /* a second pack of the same moment */
    ck_assert_msg(fleet_store_forecasts(db, &a, &err), "%s", err.text);
    a.horizon_days = 30;
    ck_assert_msg(fleet_store_forecasts(db, &a, &err), "%s", err.text);

    struct fleet today = fleet_at(now + US_PER_DAY);
    ck_assert_msg(fleet_read_issued(db, &today, mem, &issued, &n, &err), "%s", err.text);
    ck_assert_uint_eq(n, 2);
    ck_assert_ptr_eq(issued[0].drive, &today.drives[0]);
    ck_assert_double_eq(issued[0].probability, 0.7);
    ck_assert(issued[0].urgent && !issued[1].urgent);
    ck_assert_int_eq(issued[0].issued_us, at);
    struct fleet then = fleet_at(at + US_PER_DAY); /* neither stored nor due by then */
    ck_assert(fleet_read_issued(db, &then, mem, &issued, &n, &err));
    ck_assert_uint_eq(n, 0);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("forecasts");
    TCase *t = tcase_create("forecasts");
    tcase_set_timeout(t, 60);
    tcase_add_unchecked_fixture(t, start_server, NULL);
    tcase_add_checked_fixture(t, open_session, close_session);
    tcase_add_test(t, a_calibration_comes_back_as_it_was_stored);
    tcase_add_test(t, the_newest_that_was_known_is_used);
    tcase_add_test(t, forecasts_are_kept_once_and_told_when_due);
    suite_add_tcase(s, t);

    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_NORMAL);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
