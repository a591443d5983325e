#include "rig.h"
#include "server.h"

#include "base/clock.h"
#include "fold.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct server *server;
static struct db *db;
static struct arena *mem;
static struct err err;
static int next_sequence;

static void start_server(void)
{
    server = server_start(NULL);
}

static void set_up(void)
{
    mem = arena_new(SIZE_MAX);
    next_sequence = 1;
    ck_assert_msg(db_open(&db, server_prepared_database(server), "test", &err), "%s", err.text);
    rig_register(db, 3);
    rig_do(
        db,
        "INSERT INTO vaneward.code_map (controller, native_code, kind) VALUES ('c', 'W1', 'fan_warning'),"
        " ('c', 'A2', 'fan_alarm'), ('c', 'S3', 'heat_sink_fan_alarm'), ('c', 'B4', 'builder_fan_message'),"
        " ('c', 'Q9', 'other')");
}

static void tear_down(void)
{
    db_close(db);
    arena_free(mem);
}

/* Times are seconds after 2026-01-01. */
static void report(int received, int occurred, const char *drive, const char *item, const char *state,
                   const char *code)
{
    rig_do(db, arena_printf(mem,
                            "INSERT INTO vaneward.condition (site, source, instance, sequence, received_at, "
                            "occurred_at, device,"
                            " item, state, native_code, machine, drive) VALUES ('s', 'a', 'i', %d,"
                            " timestamptz '2026-01-01 00:00Z' + %d * interval '1 s', timestamptz '2026-01-01 "
                            "00:00Z' + %d * interval '1 s',"
                            " 'dev', '%s', '%s', nullif('%s', ''), 'm', '%s')",
                            next_sequence++, received, occurred, item, state, code, drive));
}

static int64_t fold(void)
{
    int64_t drives;
    ck_assert_msg(fold_new(db, NULL, &drives, &err), "%s", err.text);
    return drives;
}

#define SECONDS(column) "extract(epoch FROM " column " - timestamptz '2026-01-01 00:00Z')::int"

static const char *versions(void)
{
    return rig_table(
        db, mem,
        "SELECT drive, fault, " SECONDS("began_at") ", " SECONDS("alarm_at") ", " SECONDS(
            "ended_at") ", outcome, reports, " SECONDS("known_from") ", " SECONDS("known_until") " FROM "
                                                                                                 "vaneward."
                                                                                                 "episode"
                                                                                                 " ORDER BY "
                                                                                                 "drive, "
                                                                                                 "fault, "
                                                                                                 "began_at, "
                                                                                                 "known_"
                                                                                                 "from");
}

START_TEST(what_is_known_grows_with_what_is_received)
{
    report(1005, 1000, "d1", "x", "warning", "W1");
    ck_assert_int_eq(fold(), 1);
    ck_assert_str_eq(versions(), "d1,fan,1000,,,open,1,1005,");
    report(1065, 1060, "d1", "x", "alarm", "A2");
    report(2005, 2000, "d1", "x", "normal", "");
    ck_assert_int_eq(fold(), 1);
    ck_assert_str_eq(versions(), "d1,fan,1000,,,open,1,1005,1065; "
                                 "d1,fan,1000,1060,,open,2,1065,2005; "
                                 "d1,fan,1000,1060,2000,\"ended in alarm\",2,2005,");
    ck_assert_int_eq(fold(), 0);
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.condition WHERE NOT folded"), 0);
}
END_TEST

START_TEST(late_reports_correct_an_episode_from_their_receipt_on)
{
    report(1005, 1000, "d1", "x", "alarm", "A2");
    report(1105, 1100, "d1", "x", "normal", "");
    fold();
    /* The warning of another source comes an hour late. */
    rig_do(
        db,
        "INSERT INTO vaneward.condition (site, source, instance, sequence, received_at, occurred_at, device,"
        " item, state, native_code, machine, drive) VALUES ('s', 'b', 'j', 1, '2026-01-01 01:16:40Z',"
        " '2026-01-01 00:15:40Z', 'dev', 'y', 'warning', 'W1', 'm', 'd1'), ('s', 'b', 'j', 2,"
        " '2026-01-01 01:16:40Z', '2026-01-01 00:17:00Z', 'dev', 'y', 'normal', NULL, 'm', 'd1')");
    fold();
    ck_assert_str_eq(versions(), "d1,fan,940,1000,1100,\"ended in alarm\",2,4600,; "
                                 "d1,fan,1000,1000,,open,1,1005,1105; "
                                 "d1,fan,1000,1000,1100,unannounced,1,1105,4600");
}
END_TEST

START_TEST(axes_of_one_drive_are_one_episode)
{
    report(1005, 1000, "d1", "x", "warning", "W1");
    report(1005, 1001, "d1", "y", "warning", "W1");
    report(1005, 1000, "d2", "z", "warning", "W1");
    ck_assert_int_eq(fold(), 2);
    ck_assert_str_eq(versions(), "d1,fan,1000,,,open,2,1005,; d2,fan,1000,,,open,1,1005,");
}
END_TEST

static const struct {
    const char *type, *qualifier, *state, *code, *expected;
} codes[] = {
    {"SYSTEM", "", "warning", "W1", "fan,,open"},
    {"SYSTEM", "", "warning", "A2", "fan,1000,open"},
    {"SYSTEM", "", "alarm", "S3", "heat_sink_fan,1000,open"},
    {"SYSTEM", "", "alarm", "B4", "fan,,open"},
    {"SYSTEM", "", "alarm", "Q9", ""},
    {"SYSTEM", "", "alarm", "unheard of", ""},
    {"SYSTEM", "", "alarm", "", ""},
    {"SYSTEM", "LOW", "warning", "unheard of", "fan,,open"},
    {"SYSTEM", "HIGH", "warning", "unheard of", ""},
    {"TEMPERATURE", "LOW", "warning", "", ""},
    {"ROTARY_VELOCITY", "", "alarm", "", "fan,1000,open"},
    {"ROTARY_VELOCITY", "LOW", "warning", "unheard of", "fan,,open"},
    {"ROTARY_VELOCITY", "HIGH", "warning", "unheard of", ""},
    {"ROTARY_VELOCITY", "LOW", "warning", "Q9", ""}, /* the code map knows better */
};

START_TEST(a_code_means_what_the_code_map_says_or_the_type)
{
    report(1005, 1000, "d1", "x", codes[_i].state, codes[_i].code);
    rig_do(db,
           arena_printf(mem, "UPDATE vaneward.condition SET item_type = '%s', qualifier = nullif('%s', '')",
                        codes[_i].type, codes[_i].qualifier));
    fold();
    ck_assert_str_eq(
        rig_table(db, mem, "SELECT fault, " SECONDS("alarm_at") ", outcome FROM vaneward.episode"),
        codes[_i].expected);
}
END_TEST

START_TEST(sequence_counts_within_a_source_whose_clock_was_set_back)
{
    report(1005, 1000, "d1", "x", "warning", "W1");
    report(1010, 900, "d1", "x", "normal", "");
    fold();
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT " SECONDS("began_at") ", " SECONDS(
                                   "ended_at") " FROM vaneward.episode WHERE known_until IS NULL"),
                     "1000,1000");
}
END_TEST

/* Under the sequence of the report before it, as after a gap that the newest state closes. */
static void list(int received, int occurred, const char *drive, const char *item, const char *ids)
{
    next_sequence--;
    report(received, occurred, drive, item, "listed", "");
    rig_do(db, arena_printf(mem,
                            "UPDATE vaneward.condition SET message = '%s' WHERE state = 'listed' AND message "
                            "IS NULL",
                            ids));
}

START_TEST(what_is_no_longer_listed_after_a_gap_ended_unseen)
{
    report(1005, 1000, "d1", "x", "alarm", "S3");
    report(1015, 1010, "d1", "x", "warning", "W1");
    list(5005, 5000, "d1", "x", "S3\n");
    fold();
    static const char ended[] = "SELECT fault, " SECONDS("ended_at") ", outcome, end_seen, " SECONDS(
        "known_from") " FROM vaneward.episode WHERE known_until IS NULL ORDER BY fault";
    ck_assert_str_eq(rig_table(db, mem, ended),
                     "fan,5000,\"cleared by itself\",f,5005; heat_sink_fan,,open,f,1005");
    /* What comes after it by sequence counts, also when it is earlier by its clock. */
    report(5105, 4900, "d1", "x", "warning", "W1");
    fold();
    ck_assert_str_eq(rig_table(db, mem, ended), "fan,,open,f,5105; heat_sink_fan,,open,f,1005");
}
END_TEST

START_TEST(lines_of_a_file_count_by_their_time)
{
    rig_do(
        db,
        "INSERT INTO vaneward.condition (site, source, instance, sequence, received_at, occurred_at, device,"
        " item, state, native_code, machine, drive) VALUES"
        " ('s', 'file:11', '', 2, '2026-01-01 01:00Z', '2026-01-01 00:20Z', '', 'x', 'normal', NULL, 'm', "
        "'d1'),"
        " ('s', 'file:11', '', 3, '2026-01-01 01:00Z', '2026-01-01 00:10Z', '', 'x', 'warning', 'W1', 'm', "
        "'d1'),"
        " ('s', 'file:22', '', 2, '2026-01-01 02:00Z', '2026-01-01 00:15Z', '', 'x', 'normal', NULL, 'm', "
        "'d1')");
    fold();
    ck_assert_str_eq(versions(), "d1,fan,600,,1200,\"cleared by itself\",1,3600,7200; "
                                 "d1,fan,600,,900,\"cleared by itself\",1,7200,");
}
END_TEST

START_TEST(a_changed_code_map_takes_effect_when_all_is_folded_anew)
{
    int64_t drives;
    report(1005, 1000, "d1", "x", "alarm", "Q9");
    report(1065, 1060, "d2", "x", "alarm", "A2");
    fold();
    ck_assert_str_eq(versions(), "d2,fan,1060,1060,,open,1,1065,");
    rig_do(db, "UPDATE vaneward.code_map SET kind = 'fan_alarm' WHERE native_code = 'Q9'");
    ck_assert_msg(fold_all(db, &drives, &err), "%s", err.text);
    ck_assert_int_eq(drives, 2);
    ck_assert_str_eq(versions(), "d1,fan,1000,1000,,open,1,1005,; d2,fan,1060,1060,,open,1,1065,");
}
END_TEST

/* Whenever and however often it is folded, the same rows come out. */
START_TEST(folding_step_by_step_and_anew_agree)
{
    static const char *const drives[] = {"d1", "d2"}, *const items[] = {"x", "y"};
    static const char *const states[] = {"normal", "warning", "alarm", "unavailable"};
    static const char *const known[] = {"W1", "A2", "S3", "B4", "Q9"};
    srand((unsigned)_i);
    int received = 1000;
    for (int k = 0; k < 60; k++) {
        received += rand() % 3 * 20;
        int state = rand() % 4;
        const char *code = state == 3 || (state == 0 && rand() % 2) ? "" : known[rand() % 5];
        /* Some came earlier than what was folded before. */
        int then = rand() % 8 ? received : received - 100;
        report(then, then - rand() % 300, drives[rand() % 2], items[rand() % 2], states[state], code);
        if (rand() % 4 == 0)
            fold();
    }
    fold();
    const char *step_by_step = versions();
    int64_t count;
    ck_assert_msg(fold_all(db, &count, &err), "%s", err.text);
    ck_assert_str_eq(versions(), step_by_step);
    rig_do(db, "DELETE FROM vaneward.episode; UPDATE vaneward.condition SET folded = false");
    fold();
    ck_assert_str_eq(versions(), step_by_step);
    ck_assert_int_gt(rig_number(db, "SELECT count(*) FROM vaneward.episode"), 2);
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.episode WHERE known_until <= known_from"),
                     0);
}
END_TEST

START_TEST(only_one_process_folds_at_a_time)
{
    struct db *other;
    report(1005, 1000, "d1", "x", "warning", "W1");
    const char *here = rig_table(db, mem, "SELECT current_database()");
    const char *conninfo = arena_printf(mem, "%s dbname=%s", server_conninfo(server), here);
    ck_assert_msg(db_open(&other, conninfo, "other", &err), "%s", err.text);
    rig_do(other, "BEGIN; SELECT pg_try_advisory_xact_lock(hashtext('vaneward'), hashtext('fold'))");
    ck_assert_int_eq(fold(), 0);
    int64_t drives;
    ck_assert(!fold_all(db, &drives, &err));
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    rig_do(other, "ROLLBACK");
    ck_assert_int_eq(fold(), 1);
    db_close(other);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("fold");
    tcase_set_timeout(tc, 60);
    tcase_add_unchecked_fixture(tc, start_server, NULL);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, what_is_known_grows_with_what_is_received);
    tcase_add_test(tc, late_reports_correct_an_episode_from_their_receipt_on);
    tcase_add_test(tc, axes_of_one_drive_are_one_episode);
    tcase_add_loop_test(tc, a_code_means_what_the_code_map_says_or_the_type, 0,
                        (int)(sizeof codes / sizeof *codes));
    tcase_add_test(tc, sequence_counts_within_a_source_whose_clock_was_set_back);
    tcase_add_test(tc, what_is_no_longer_listed_after_a_gap_ended_unseen);
    tcase_add_test(tc, lines_of_a_file_count_by_their_time);
    tcase_add_test(tc, a_changed_code_map_takes_effect_when_all_is_folded_anew);
    tcase_add_loop_test(tc, folding_step_by_step_and_anew_agree, 0, 8);
    tcase_add_test(tc, only_one_process_folds_at_a_time);
    Suite *suite = suite_create("fold");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
