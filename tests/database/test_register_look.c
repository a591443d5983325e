#include "rig.h"
#include "server.h"

#include "register_look.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>

static struct server *server;
static struct db *db;
static struct arena *mem;
static struct err err;
static struct register_look look;

static void start_server(void)
{
    server = server_start(NULL);
}

static void set_up(void)
{
    mem = arena_new(SIZE_MAX);
    ck_assert_msg(db_open(&db, server_prepared_database(server), "test", &err), "%s", err.text);
    rig_register(db, 3);
}

static void tear_down(void)
{
    register_look_drop(&look);
    db_close(db);
    arena_free(mem);
}

static void begin(void)
{
    ck_assert_msg(register_look_begin(&look, db, &err), "%s", err.text);
}

static bool step(void)
{
    bool whole;
    ck_assert_msg(register_look_step(&look, db, &whole, &err), "%s", err.text);
    return whole;
}

static struct bindings read_register(void)
{
    struct bindings all;
    arena_free(mem);
    for (begin(); !step();)
        ;
    mem = register_look_take(&look, &all);
    return all;
}

START_TEST(bindings_say_what_items_are)
{
    rig_do(db, "INSERT INTO vaneward.binding (site, source, device, item, role, drive, position, axis) VALUES"
               " ('s', 'a', 'dev', 'f', 'fan_speed', 'd2', 'internal-1', NULL),"
               " ('s', 'a', 'dev', 'dc', 'drive_condition', 'd3', NULL, NULL),"
               " ('s', 'a', 'dev', 'xc', 'axis_condition', NULL, NULL, 'x'),"
               " ('s', 'a', 'dev', 'yc', 'axis_condition', NULL, NULL, 'y'),"
               " ('s', 'b', 'dev', 'av', 'availability', NULL, NULL, NULL)");
    rig_do(db, "INSERT INTO vaneward.source_cursor (site, source, instance, next_sequence)"
               " VALUES ('s', 'b', 'j1', 10)");
    struct bindings all = read_register();
    ck_assert_uint_eq(all.count, 2);
    const struct source *s = &all.sources[0];
    ck_assert_str_eq(s->source, "a");
    ck_assert(s->is_feed && !all.sources[1].is_feed);
    ck_assert_int_eq(s->period_ms, 60000);
    ck_assert_str_eq(s->cursor.instance, "");
    ck_assert_str_eq(all.sources[1].cursor.instance, "j1");
    ck_assert_uint_eq(all.sources[1].cursor.next, 10);
    ck_assert_uint_eq(source_item(s, "dev", NULL, "f")->fan_no, 2);
    ck_assert_str_eq(source_item(s, "dev", NULL, "dc")->drive, "d3");
    ck_assert_str_eq(source_item(s, "dev", NULL, "xc")->drive, "d1");
    ck_assert_str_eq(source_item(s, "dev", NULL, "xc")->machine, "m");
    ck_assert_ptr_null(source_item(s, "dev", NULL, "yc")->drive);
    ck_assert_str_eq(source_item(s, "dev", NULL, "yc")->machine, "m");
    ck_assert_ptr_null(source_item(s, "dev", NULL, "av"));
    ck_assert_int_eq(source_item(&all.sources[1], "?", "dev", "av")->role, ROLE_AVAILABILITY);
    const struct source *both[] = {&all.sources[1], &all.sources[0]};
    struct cursor at[2];
    ck_assert_msg(cursors_load(db, both, 2, mem, at, &err), "%s", err.text);
    ck_assert_uint_eq(at[0].next, 10);
    ck_assert_str_eq(at[1].instance, "");
}
END_TEST

START_TEST(an_unchanged_register_is_not_read_again)
{
    read_register();
    begin();
    ck_assert(!register_look_is_on(&look));
}
END_TEST

static const char *const changes[] = {
    "UPDATE vaneward.site SET networks = '10.0.0.0/8'",
    "UPDATE vaneward.source SET period_s = 7 WHERE source = 'a'",
    "INSERT INTO vaneward.binding (site, source, device, item, role) VALUES ('s', 'a', 'd', 'p', 'power')",
    "UPDATE vaneward.fan SET fan_no = fan_no + 1000",
    "UPDATE vaneward.axis SET drive = 'd2'",
    "UPDATE vaneward.drive SET serial = 'x'",
    "DELETE FROM vaneward.binding",
};

START_TEST(each_change_is_seen)
{
    read_register();
    rig_do(db, changes[_i]);
    begin();
    ck_assert(register_look_is_on(&look));
}
END_TEST

START_TEST(a_change_that_was_taken_back_is_none)
{
    read_register();
    ck_assert(db_begin(db, &err));
    rig_do(db, changes[1]);
    db_rollback(db);
    begin();
    ck_assert(!register_look_is_on(&look));
}
END_TEST

START_TEST(a_change_between_two_parts_reads_all_again)
{
    begin();
    look.at_a_time = 1;
    ck_assert(!step());
    rig_do(db, "UPDATE vaneward.source SET url = 'http://127.0.0.1/else' WHERE source = 'a'");
    ck_assert(!step());
    struct bindings all = read_register();
    ck_assert_uint_eq(all.count, 2);
    ck_assert_str_eq(all.sources[0].url, "http://127.0.0.1/else");
}
END_TEST

START_TEST(what_is_asked_for_in_parts_is_the_same)
{
    rig_do(db, "INSERT INTO vaneward.source (site, source, url, format)"
               " SELECT 's', 'n' || n, 'http://127.0.0.1/' || n, 'feed' FROM generate_series(1, 20) n;"
               "INSERT INTO vaneward.binding (site, source, device, item, role)"
               " SELECT 's', 'n' || n, 'd' || n, 'p', 'power' FROM generate_series(1, 20) n WHERE n % 3 > 0");
    begin();
    for (look.at_a_time = (size_t)_i; !step(); look.at_a_time = (size_t)_i)
        ;
    ck_assert_uint_eq(look.bindings.count, 22);
    for (size_t k = 0; k < look.bindings.count; k++) {
        const struct source *s = &look.bindings.sources[k];
        int n = s->source[0] == 'n' ? atoi(s->source + 1) : 0;
        char device[20];
        snprintf(device, sizeof device, "d%d", n);
        ck_assert_uint_eq(s->item_count, n % 3 > 0);
        ck_assert((source_item(s, device, NULL, "p") != NULL) == (n % 3 > 0));
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("register_look");
    tcase_set_timeout(tc, 60);
    tcase_add_unchecked_fixture(tc, start_server, NULL);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, bindings_say_what_items_are);
    tcase_add_test(tc, an_unchanged_register_is_not_read_again);
    tcase_add_loop_test(tc, each_change_is_seen, 0, sizeof changes / sizeof *changes);
    tcase_add_test(tc, a_change_that_was_taken_back_is_none);
    tcase_add_test(tc, a_change_between_two_parts_reads_all_again);
    tcase_add_loop_test(tc, what_is_asked_for_in_parts_is_the_same, 1, 5);
    Suite *suite = suite_create("register_look");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
