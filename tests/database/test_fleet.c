#include "server.h"

#include "block.h"
#include "fleet.h"

#include <check.h>
#include <math.h>
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

static void script(const char *text)
{
    ck_assert_msg(db_script(db, "setup", text, &err), "%s", err.text);
}

/* Two sites; drive "alpha-1" has three places for fans, "beta-1" one without a model. */
static const char a_register[] =
    "INSERT INTO vaneward.site (site, name, time_zone) VALUES"
    " ('north', 'North works', 'Europe/Vienna'), ('south', NULL, 'UTC');"
    "INSERT INTO vaneward.machine (site, machine, name, stop_cost_per_hour, currency, stop_hours) VALUES"
    " ('north', 'mill-2', NULL, 120.50, 'EUR', 6), ('south', 'lathe-1', 'Big lathe', NULL, NULL, NULL);"
    "INSERT INTO vaneward.drive_model (drive_model, reports_speed, internal_fans, warning_to_alarm_s) VALUES"
    " ('dm-a', true, 2, 60), ('dm-b', NULL, NULL, NULL);"
    "INSERT INTO vaneward.drive (site, drive, machine, drive_model, warning_hidden, obstructed) VALUES"
    " ('south', 'beta-1', 'lathe-1', NULL, NULL, false), ('north', 'alpha-1', 'mill-2', 'dm-a', true, NULL);"
    "INSERT INTO vaneward.axis (site, axis, machine, drive) VALUES"
    " ('north', 'mill-2-Y', 'mill-2', 'alpha-1'), ('north', 'mill-2-X', 'mill-2', 'alpha-1'),"
    " ('north', 'mill-2-Z', 'mill-2', NULL);"
    "INSERT INTO vaneward.part (part, unit_price, currency, lead_time_days, order_multiple, supersedes) "
    "VALUES"
    " ('F-1', 19.99, 'EUR', 21, 5, NULL), ('F-2', NULL, NULL, NULL, NULL, 'F-1');"
    "INSERT INTO vaneward.fan_model (fan_model, part, rated_rpm, warning_rpm) VALUES"
    " ('breeze', 'F-1', 2300, NULL), ('gale', NULL, 4000, 3200);"
    "INSERT INTO vaneward.fan (site, drive, position, fan_no, fan_model, installed_on, hours_at_install) "
    "VALUES"
    " ('north', 'alpha-1', 'internal-2', 7, 'breeze', '2025-01-10', 500),"
    " ('north', 'alpha-1', 'internal-1', 9, 'breeze', '2025-01-10', NULL),"
    " ('north', 'alpha-1', 'heat-sink', 3, 'gale', NULL, NULL),"
    " ('south', 'beta-1', 'internal-1', 7, NULL, NULL, NULL);"
    "INSERT INTO vaneward.stock (site, part, on_hand, on_order, due_on) VALUES"
    " ('south', 'F-1', 2, 5, '2026-04-01'), ('north', 'F-2', 0, 0, NULL);"
    "INSERT INTO vaneward.source (site, source, url, format) VALUES"
    " ('north', 'gate-1', 'http://127.0.0.1:1/', 'mtconnect');"
    "INSERT INTO vaneward.binding (site, source, device, item, role, drive, position) VALUES"
    " ('north', 'gate-1', 'dev', 'i1', 'fan_speed', 'alpha-1', 'internal-1'),"
    " ('north', 'gate-1', 'dev', 'i2', 'drive_condition', 'alpha-1', NULL);"
    "INSERT INTO vaneward.source_cursor (site, source, last_contact_at, failures, last_error, last_error_at) "
    "VALUES"
    " ('north', 'gate-1', '2026-03-01 10:00Z', 2, 'no answer', '2026-03-01 11:00Z');"
    "INSERT INTO vaneward.gap (site, source, instance, to_at, reason, recorded_at) VALUES"
    " ('north', 'gate-1', '1', '2026-02-01Z', 'overrun', '2026-02-01Z'),"
    " ('north', 'gate-1', '1', '2026-02-20Z', 'restart', '2026-02-20Z');";

static void open_session(void)
{
    mem = arena_new(SIZE_MAX);
    ck_assert_msg(db_open(&db, server_prepared_database(server), "test", &err), "%s", err.text);
    script(a_register);
}

static void close_session(void)
{
    db_close(db);
    arena_free(mem);
}

static int64_t moment(const char *text)
{
    int64_t us;
    ck_assert(time_parse(text, &us, NULL));
    return us;
}

static int32_t day(const char *text)
{
    int32_t d;
    ck_assert(day_parse(text, &d));
    return d;
}

static struct fleet fleet_at(const char *as_of)
{
    struct fleet f;
    ck_assert_msg(fleet_read(db, NULL, moment(as_of), mem, &f, &err), "%s", err.text);
    return f;
}

START_TEST(the_register_comes_in_order_of_keys_and_linked)
{
    struct fleet f = fleet_at("2026-03-02T00:00:00Z");

    ck_assert_uint_eq(f.site_count, 2);
    ck_assert_str_eq(f.sites[0].name, "North works");
    ck_assert_str_eq(f.sites[1].name, "south"); /* the key serves */
    ck_assert_uint_eq(f.machine_count, 2);
    ck_assert_str_eq(f.machines[0].machine, "lathe-1");
    ck_assert_ptr_eq(f.machines[0].site, &f.sites[1]);
    ck_assert(isnan(f.machines[0].stop_cost_per_hour));
    ck_assert_double_eq(f.machines[1].stop_cost_per_hour, 120.5);

    ck_assert_uint_eq(f.drive_count, 2);
    const struct drive *alpha = &f.drives[0], *beta = &f.drives[1];
    ck_assert_str_eq(alpha->drive, "alpha-1");
    ck_assert_ptr_eq(alpha->machine, &f.machines[1]);
    ck_assert_str_eq(alpha->model->drive_model, "dm-a");
    ck_assert_int_eq(alpha->warning_hidden, ANSWER_YES);
    ck_assert_int_eq(alpha->obstructed, ANSWER_UNKNOWN);
    ck_assert_uint_eq(alpha->axis_count, 2);
    ck_assert_str_eq(alpha->axes[0], "mill-2-X");
    ck_assert_ptr_null(beta->model);
    ck_assert_int_eq(beta->obstructed, ANSWER_NO);

    ck_assert_uint_eq(alpha->fan_count, 3);
    ck_assert_str_eq(alpha->fans[0].position, "heat-sink");
    ck_assert_int_eq(alpha->fans[0].installed_day, DAY_UNKNOWN);
    ck_assert(alpha->fans[1].bound);
    ck_assert(!alpha->fans[2].bound);
    ck_assert_double_eq(alpha->fans[2].hours_at_install, 500);
    ck_assert_ptr_eq(alpha->fans[1].drive, alpha);
    ck_assert_ptr_null(beta->fans[0].model);
    ck_assert_int_eq(f.drive_models[1].internal_fans, -1);
}
END_TEST

START_TEST(parts_stock_and_sources_are_read)
{
    struct fleet f = fleet_at("2026-03-01T10:30:00Z");

    ck_assert_uint_eq(f.part_count, 2);
    ck_assert_int_eq(f.parts[0].price_minor, 1999);
    ck_assert_int_eq(f.parts[1].price_minor, -1);
    ck_assert_int_eq(f.parts[1].order_multiple, 1);
    ck_assert_ptr_eq(f.parts[0].successor, &f.parts[1]);
    ck_assert_ptr_null(f.parts[1].successor);
    ck_assert_ptr_eq(f.fan_models[0].part, &f.parts[0]);
    ck_assert(isnan(f.fan_models[0].warning_rpm));
    ck_assert_double_eq(f.fan_models[1].warning_rpm, 3200);
    ck_assert_uint_eq(f.stock_count, 2);
    ck_assert_ptr_eq(f.stock[1].site, &f.sites[1]);
    ck_assert_int_eq(f.stock[1].on_order, 5);
    ck_assert_int_eq(f.stock[1].due_day, day("2026-04-01"));

    ck_assert_uint_eq(f.source_count, 1);
    ck_assert_int_eq(f.sources[0].last_contact_us, moment("2026-03-01T10:00:00Z"));
    ck_assert_int_eq(f.sources[0].failures, 0); /* they came after the moment */
    ck_assert_int_eq(f.sources[0].gaps, 2);
    f = fleet_at("2026-02-10T00:00:00Z");
    ck_assert_int_eq(f.sources[0].last_contact_us, TIME_UNKNOWN);
    ck_assert_int_eq(f.sources[0].gaps, 1);
    f = fleet_at("2026-03-02T00:00:00Z");
    ck_assert_int_eq(f.sources[0].failures, 2);
    ck_assert_str_eq(f.sources[0].last_error, "no answer");
}
END_TEST

START_TEST(an_unknown_site_is_refused_with_the_names_there_are)
{
    struct fleet f;
    ck_assert(!fleet_read(db, "nord", moment("2026-03-01T00:00:00Z"), mem, &f, &err));
    ck_assert_int_eq(err.kind, ERR_USAGE);
    ck_assert_ptr_nonnull(strstr(err.text, "'nord'"));
    ck_assert_ptr_nonnull(strstr(err.hint, "'north', 'south'"));
    err_clear(&err);
    ck_assert(fleet_read(db, "north", moment("2026-03-01T00:00:00Z"), mem, &f, &err));
    ck_assert_str_eq(f.only_site, "north");
    ck_assert_uint_eq(f.drive_count, 2); /* the others serve as peers */
}
END_TEST

START_TEST(daily_summaries_are_of_the_version_known_then)
{
    /* the second day was received late, and the first changed by it; fan 7 exists at both sites */
    script(
        "INSERT INTO vaneward.fan_day VALUES"
        " ('north', 9, '2026-02-01', '2026-02-02Z', '2026-02-05Z', 100, 0, 0, 86000, 2300, 2300, 2290, 2310, "
        "4,"
        "  2300, '2026-02-01 23:59Z'),"
        " ('north', 9, '2026-02-01', '2026-02-05Z', NULL, 120, 20, 1, 80000, 2290, 2300, 2290, 2310, 4, NULL,"
        "  '2026-02-01 23:59Z'),"
        " ('north', 9, '2026-02-02', '2026-02-05Z', NULL, 5, 5, 0, 0, NULL, NULL, NULL, NULL, NULL, NULL,"
        "  '2026-02-02 23:59Z'),"
        " ('north', 7, '2026-02-01', '2026-02-02Z', NULL, 1, 0, 0, 9, 1000, 1000, 1000, 1000, 0, 1000,"
        "  '2026-02-01 23:59Z'),"
        " ('south', 7, '2026-02-01', '2026-02-02Z', NULL, 1, 0, 0, 9, 2000, 2000, 2000, 2000, 0, 2000,"
        "  '2026-02-01 23:59Z'),"
        " ('south', 8, '2026-02-01', '2026-02-02Z', NULL, 1, 0, 0, 9, 3000, 3000, 3000, 3000, 0, 3000,"
        "  '2026-02-01 23:59Z')"); /* of no fan in the register */

    struct fleet f = fleet_at("2026-02-01T12:00:00Z");
    ck_assert_uint_eq(f.drives[0].fans[1].day_count, 0);

    f = fleet_at("2026-02-04T00:00:00Z");
    const struct fan *fan = &f.drives[0].fans[1];
    ck_assert_uint_eq(fan->day_count, 1);
    ck_assert_int_eq(fan->days[0].day, day("2026-02-01"));
    ck_assert_double_eq(fan->days[0].median, 2300);

    f = fleet_at("2026-02-05T00:00:00Z"); /* the moment of the change itself: the new version */
    fan = &f.drives[0].fans[1];
    ck_assert_uint_eq(fan->day_count, 2);
    ck_assert_double_eq(fan->days[0].median, 2290);
    ck_assert_int_eq(fan->days[0].unavailable_readings, 20);
    ck_assert_int_eq(fan->days[0].zero_readings, 1);
    ck_assert(isnan(fan->days[1].median));
    ck_assert_double_eq(f.drives[0].fans[2].days[0].median, 1000);
    ck_assert_double_eq(f.drives[1].fans[0].days[0].median, 2000);
}
END_TEST

START_TEST(episodes_are_of_the_version_known_then)
{
    script("INSERT INTO vaneward.episode VALUES"
           " ('north', 'alpha-1', 'fan', '2026-02-10 08:00Z', '2026-02-10 08:00Z', '2026-02-10 08:01Z', "
           "NULL, NULL,"
           "  'open', true, 1),"
           " ('north', 'alpha-1', 'fan', '2026-02-10 08:00Z', '2026-02-10 08:01Z', NULL, '2026-02-10 08:01Z',"
           "  '2026-02-10 09:00Z', 'ended in alarm', false, 3),"
           " ('north', 'alpha-1', 'heat_sink_fan', '2026-02-01 08:00Z', '2026-02-10 08:00:30Z', NULL,"
           "  '2026-02-01 08:00Z', NULL, 'unannounced', true, 1)");

    struct fleet f = fleet_at("2026-02-10T08:00:20Z");
    ck_assert_uint_eq(f.drives[0].episode_count, 1);
    ck_assert_int_eq(f.drives[0].episodes[0].outcome, EPISODE_OPEN);
    ck_assert_int_eq(f.drives[0].episodes[0].alarm_us, TIME_UNKNOWN);

    f = fleet_at("2026-03-01T00:00:00Z");
    const struct episode *e = f.drives[0].episodes;
    ck_assert_uint_eq(f.drives[0].episode_count, 2);
    ck_assert_int_eq(e[0].fault, FAULT_HEAT_SINK_FAN);
    ck_assert_int_eq(e[0].outcome, EPISODE_UNANNOUNCED);
    ck_assert_int_eq(e[1].outcome, EPISODE_ENDED_IN_ALARM);
    ck_assert_int_eq(e[1].ended_us, moment("2026-02-10T09:00:00Z"));
    ck_assert(!e[1].end_seen);
    ck_assert_int_eq(e[1].reports, 3);
    ck_assert_uint_eq(f.drives[1].episode_count, 0);
}
END_TEST

START_TEST(a_recorded_replacement_is_newer_than_the_register)
{
    script(
        "INSERT INTO vaneward.work (site, drive, position, done_at, action, reason, finding, part, "
        "rpm_before,"
        " recorded_at) VALUES"
        " ('north', 'alpha-1', 'internal-2', '2025-06-01 10:00Z', 'replaced', 'alarm', 'worn', 'F-1', 1500,"
        "  '2025-06-03Z'),"
        " ('north', 'alpha-1', 'internal-2', '2024-06-01 10:00Z', 'replaced', NULL, NULL, NULL, NULL,"
        "  '2025-06-03Z'),"
        " ('north', 'alpha-1', 'internal-2', '2025-07-01 10:00Z', 'cleaned', NULL, 'dirty', NULL, NULL,"
        "  '2025-07-01 11:00Z'),"
        " ('north', 'alpha-1', 'internal-1', '2024-07-01 10:00Z', 'replaced', NULL, NULL, NULL, NULL,"
        "  '2025-01-01Z')");

    struct fleet f = fleet_at("2025-06-02T00:00:00Z"); /* done, but not recorded yet */
    ck_assert_uint_eq(f.drives[0].fans[2].work_count, 0);
    ck_assert_int_eq(f.drives[0].fans[2].installed_day, day("2025-01-10"));

    f = fleet_at("2026-01-01T00:00:00Z");
    const struct fan *fan = &f.drives[0].fans[2];
    ck_assert_uint_eq(fan->work_count, 3);
    ck_assert_int_eq(fan->work[0].done_us, moment("2024-06-01T10:00:00Z"));
    ck_assert_int_eq(fan->work[1].action, WORK_REPLACED);
    ck_assert_str_eq(fan->work[1].finding, "worn");
    ck_assert_double_eq(fan->work[1].rpm_before, 1500);
    ck_assert(isnan(fan->work[1].rpm_after));
    ck_assert_int_eq(fan->installed_day, day("2025-06-01"));
    ck_assert_double_eq(fan->hours_at_install, 0);
    ck_assert_int_eq(fan->registered_day, day("2025-01-10"));
    ck_assert_double_eq(fan->registered_hours, 500);
    ck_assert_int_eq(f.drives[0].fans[1].installed_day, day("2025-01-10")); /* the register is newer here */
}
END_TEST

/* Stores readings as the collector does; a table with rows of one fan, or the journal. */
static void store(const char *statement, const struct reading *r, size_t n)
{
    static int number;
    size_t bytes;
    const uint8_t *block = block_encode(r, n, mem, &bytes);
    struct query *q = arena_alloc(mem, sizeof *q);
    *q = (struct query){arena_printf(mem, "store_%d", ++number), statement, 1};
    const struct db_value params[] = {db_bytes(block, bytes)};
    ck_assert_msg(db_exec(db, q, params, 1, NULL, &err), "%s", err.text);
}

START_TEST(readings_come_from_blocks_and_journal_in_order_of_time)
{
    int64_t t = moment("2026-03-01T00:00:00Z");
    script("SELECT vaneward.make_day_partition('reading_day', '2026-03-01'),"
           " vaneward.make_day_partition('reading_hour', '2026-03-02')");
    store("INSERT INTO vaneward.reading_day VALUES ('north', 9, '2026-03-01Z', '2026-03-02Z', 3, $1::bytea)",
          (const struct reading[]){{9, 2300000, t}, {9, 2300500, t + 60 * US_PER_S}, {9, 0, t + US_PER_HOUR}},
          3);
    store("INSERT INTO vaneward.reading_hour VALUES ('north', 9, '2026-03-02 05:00Z', '2026-03-02Z', 2, "
          "$1::bytea)",
          (const struct reading[]){{9, 2299125, t + 29 * US_PER_HOUR},
                                   {9, RPM_UNAVAILABLE, t + 29 * US_PER_HOUR + 250000}},
          2);
    store("INSERT INTO vaneward.journal (site, received_at, newest_at, readings, data) VALUES"
          " ('north', '2026-03-02 07:00Z', '2026-03-02 06:00Z', 3, $1::bytea)",
          (const struct reading[]){{7, 1111000, t + 2 * US_PER_HOUR}, /* another fan */
                                   {9, 2298000, t + 30 * US_PER_HOUR},
                                   {9, 2310000, t + 2 * US_PER_HOUR}}, /* late */
          3);

    char *text;
    size_t size;
    int64_t count;
    FILE *out = open_memstream(&text, &size);
    ck_assert_msg(fleet_readings(db, &(struct fleet_fans){"north", "alpha-1", "internal-1"},
                                 t + 60 * US_PER_S, t + 30 * US_PER_HOUR, out, &count, &err),
                  "%s", err.text);
    fclose(out);
    ck_assert_int_eq(count, 5);
    ck_assert_str_eq(text, "drive,position,read_at,rpm\n"
                           "alpha-1,internal-1,2026-03-01T00:01:00Z,2300.5\n"
                           "alpha-1,internal-1,2026-03-01T01:00:00Z,0\n"
                           "alpha-1,internal-1,2026-03-01T02:00:00Z,2310\n"
                           "alpha-1,internal-1,2026-03-02T05:00:00Z,2299.125\n"
                           "alpha-1,internal-1,2026-03-02T05:00:00.250000Z,\n");
    free(text);
}
END_TEST

START_TEST(readings_of_an_unknown_fan_are_refused)
{
    int64_t count;
    ck_assert(!fleet_readings(db, &(struct fleet_fans){NULL, "alpha-1", "internal-3"}, 0, INT64_C(1) << 50,
                              stdout, &count, &err));
    ck_assert_int_eq(err.kind, ERR_USAGE);
    err_clear(&err);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("fleet");
    TCase *t = tcase_create("fleet");
    tcase_set_timeout(t, 60);
    tcase_add_unchecked_fixture(t, start_server, NULL);
    tcase_add_checked_fixture(t, open_session, close_session);
    tcase_add_test(t, the_register_comes_in_order_of_keys_and_linked);
    tcase_add_test(t, parts_stock_and_sources_are_read);
    tcase_add_test(t, an_unknown_site_is_refused_with_the_names_there_are);
    tcase_add_test(t, daily_summaries_are_of_the_version_known_then);
    tcase_add_test(t, episodes_are_of_the_version_known_then);
    tcase_add_test(t, a_recorded_replacement_is_newer_than_the_register);
    tcase_add_test(t, readings_come_from_blocks_and_journal_in_order_of_time);
    tcase_add_test(t, readings_of_an_unknown_fan_are_refused);
    suite_add_tcase(s, t);

    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_NORMAL);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
