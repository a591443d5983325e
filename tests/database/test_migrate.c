#include "server.h"

#include "db.h"
#include "migrate.h"

#include <check.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

static struct server *server;
static struct db *db;
static struct err err;
static int steps; /* that the program has */

static void start_server(void)
{
    server = server_start(NULL);
    while (migrations[steps].number)
        steps++;
}

static void open_empty(void)
{
    ck_assert_msg(db_open(&db, server_empty_database(server), "test", &err), "%s", err.text);
}

static void close_session(void)
{
    db_close(db);
}

static void script(const char *text)
{
    ck_assert_msg(db_script(db, "setup", text, &err), "%s", err.text);
}

static int migrated(void)
{
    int applied;
    ck_assert_msg(migrate(db, &applied, &err), "%s", err.text);
    return applied;
}

static void refused(const char *because)
{
    int applied;
    ck_assert(!migrate(db, &applied, &err));
    ck_assert_int_eq(err.kind, ERR_CONFIG);
    ck_assert_int_eq(applied, 0);
    ck_assert_msg(strstr(err.text, because), "%s", err.text);
    ck_assert(err.hint[0]);
    err_clear(&err);
}

START_TEST(a_fresh_database_gets_every_step_once)
{
    ck_assert_int_ge(steps, 2);
    ck_assert_int_eq(migrated(), steps);
    ck_assert_int_eq(migrated(), 0);
    ck_assert_msg(migrate_check(db, &err), "%s", err.text);
    script("DO $$ BEGIN ASSERT (SELECT count(*) FROM vaneward.site) = 0; END $$");
}
END_TEST

START_TEST(an_edited_step_is_refused)
{
    migrated();
    script("UPDATE vaneward.schema_version SET checksum = repeat('0', 64) WHERE number = 1");
    refused("step 1 'register'");
}
END_TEST

START_TEST(a_newer_database_is_refused)
{
    migrated();
    script("INSERT INTO vaneward.schema_version (number, name, checksum) VALUES (9999, 'later', '')");
    refused("9999");
    ck_assert(!migrate_check(db, &err));
    ck_assert_int_eq(err.kind, ERR_CONFIG);
}
END_TEST

START_TEST(an_older_or_empty_database_is_told_to_be_prepared)
{
    ck_assert(!migrate_check(db, &err));
    ck_assert_int_eq(err.kind, ERR_CONFIG);
    ck_assert_msg(strstr(err.hint, "prepare"), "%s", err.hint);
    err_clear(&err);
    migrated();
    script("DELETE FROM vaneward.schema_version WHERE number > 1");
    ck_assert(!migrate_check(db, &err));
    ck_assert_int_eq(err.kind, ERR_CONFIG);
    ck_assert_msg(strstr(err.text, "step 1") && strstr(err.hint, "prepare"), "%s", err.text);
}
END_TEST

START_TEST(a_step_that_fails_leaves_nothing_of_itself)
{
    int applied;
    script("CREATE SCHEMA vaneward; CREATE TABLE vaneward.file_import ()"); /* the last table of step 2 */
    ck_assert(!migrate(db, &applied, &err));
    ck_assert_int_eq(applied, 1);
    ck_assert_msg(strstr(err.text, "step 2 'collection'"), "%s", err.text);
    ck_assert_str_eq(err.sqlstate, "42P07");
    err_clear(&err);
    script("DO $$ BEGIN ASSERT to_regclass('vaneward.journal') IS NULL; END $$;"
           "DROP TABLE vaneward.file_import");
    ck_assert_int_eq(migrated(), steps - 1);
}
END_TEST

/* As a database of an older program stands, with rows in its journal. */
START_TEST(an_older_journal_becomes_the_open_part)
{
    enum { JOURNAL_IN_PARTS = 14 };
    const struct migration *m = migrations;
    for (; m->number < JOURNAL_IN_PARTS; m++)
        script(m->text);
    script("INSERT INTO vaneward.site (site) VALUES ('s');"
           "INSERT INTO vaneward.journal (site, received_at, newest_at, readings, data)"
           " VALUES ('s', now(), now(), 1, 'a'), ('s', now(), now(), 2, 'b')");
    script(m->text);
    script(
        "INSERT INTO vaneward.journal (site, received_at, newest_at, readings, data)"
        " VALUES ('s', now(), now(), 3, 'c');"
        "DO $$ BEGIN ASSERT (SELECT string_agg(journal_no || encode(data, 'escape'), ' ' ORDER BY journal_no)"
        " FROM vaneward.journal_waiting) = '1a 2b 3c';"
        " ASSERT (SELECT count(*) FROM vaneward.journal_0) = 3; END $$");
}
END_TEST

/* Rows that are longer than a page lie in pieces, before and after. */
START_TEST(rows_that_wait_stay_when_rows_are_to_fill_pages)
{
    enum { JOURNAL_PAGES = 16 };
    static const char add[] = "INSERT INTO vaneward.journal (site, received_at, newest_at, readings, data)"
                              " SELECT 's', now(), now(), n, convert_to(repeat(n::text, 5000 * n), 'UTF8')"
                              " FROM generate_series(1, 3) n";
    const struct migration *m = migrations;
    for (; m->number < JOURNAL_PAGES; m++)
        script(m->text);
    script("INSERT INTO vaneward.site (site) VALUES ('s')");
    script(add);
    for (; m->number; m++)
        script(m->text);
    script(add);
    script("DO $$ BEGIN ASSERT (SELECT count(*) FROM vaneward.journal_waiting"
           " WHERE data = convert_to(repeat(readings::text, 5000 * readings), 'UTF8')) = 6; END $$");
}
END_TEST

START_TEST(two_at_once_apply_each_step_once)
{
    enum { PROGRAMS = 4 };
    const char *conninfo = server_empty_database(server);
    int total = 0;
    for (int k = 0; k < PROGRAMS; k++) {
        if (fork() == 0) {
            struct db *own;
            int applied;
            bool good = db_open(&own, conninfo, "test", &err) && migrate(own, &applied, &err);
            if (!good)
                err_print("test", &err);
            _exit(good ? applied : 100);
        }
    }
    for (int k = 0; k < PROGRAMS; k++) {
        int status;
        ck_assert_int_ge(wait(&status), 0);
        ck_assert(WIFEXITED(status));
        total += WEXITSTATUS(status);
    }
    ck_assert_int_eq(total, steps);
}
END_TEST

START_TEST(the_deadline_of_the_session_is_as_before)
{
    db_set_deadline(db, 12345);
    migrated();
    ck_assert_int_eq(db_deadline(db), 12345);
}
END_TEST

START_TEST(a_user_without_rights_can_check_a_prepared_database)
{
    migrated();
    script("DROP ROLE IF EXISTS reader; CREATE ROLE reader; GRANT USAGE ON SCHEMA vaneward TO reader;"
           "GRANT SELECT ON vaneward.schema_version TO reader; SET ROLE reader");
    ck_assert_msg(migrate_check(db, &err), "%s", err.text);
    ck_assert_int_eq(migrated(), 0);
}
END_TEST

static Suite *suite(void)
{
    Suite *s = suite_create("migrate");
    TCase *t = tcase_create("migrate");
    tcase_set_timeout(t, 60);
    tcase_add_unchecked_fixture(t, start_server, NULL);
    tcase_add_checked_fixture(t, open_empty, close_session);
    tcase_add_test(t, a_fresh_database_gets_every_step_once);
    tcase_add_test(t, an_edited_step_is_refused);
    tcase_add_test(t, a_newer_database_is_refused);
    tcase_add_test(t, an_older_or_empty_database_is_told_to_be_prepared);
    tcase_add_test(t, a_step_that_fails_leaves_nothing_of_itself);
    tcase_add_test(t, an_older_journal_becomes_the_open_part);
    tcase_add_test(t, rows_that_wait_stay_when_rows_are_to_fill_pages);
    tcase_add_test(t, two_at_once_apply_each_step_once);
    tcase_add_test(t, the_deadline_of_the_session_is_as_before);
    tcase_add_test(t, a_user_without_rights_can_check_a_prepared_database);
    suite_add_tcase(s, t);
    return s;
}

int main(void)
{
    SRunner *runner = srunner_create(suite());
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
