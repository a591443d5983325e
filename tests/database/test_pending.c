/* What is gathered while the database stores. */
#include "rig.h"
#include "server.h"

#include "base/clock.h"
#include "pending.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#define RECEIVED (INT64_C(1790000000) * US_PER_S)

static struct server *server;
static const char *conninfo;
static struct db *db, *other;
static struct arena *mem;
static struct spool *spool;
static char folder[64];
static struct totals totals;
static struct pending pending;
static struct source sources[] = {{.site = "s", .source = "a", .cursor = {"", 0}},
                                  {.site = "s", .source = "b", .cursor = {"", 0}}};
static struct station *a, *b;
static struct err err;

static void start_server(void)
{
    server = server_start(NULL);
}

static struct db *open_session(void)
{
    struct db *opened;
    ck_assert_msg(db_open(&opened, conninfo, "test", &err), "%s", err.text);
    return opened;
}

static void set_up(void)
{
    mem = arena_new(SIZE_MAX);
    conninfo = server_prepared_database(server);
    db = open_session();
    other = open_session();
    rig_register(db, 3);
    pending_init(&pending, 10, &totals);
    a = station_new(&sources[0]);
    b = station_new(&sources[1]);
    snprintf(folder, sizeof folder, "/tmp/test-pending-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    ck_assert_msg(spool_open(&spool, folder, &spool_usual_limits, &err), "%s", err.text);
}

static void tear_down(void)
{
    char command[80];
    snprintf(command, sizeof command, "rm -r %s", folder);
    spool_close(spool);
    ck_assert_int_eq(system(command), 0);
    pending_release(&pending);
    station_free(a);
    station_free(b);
    db_close(db);
    db_close(other);
    arena_free(mem);
}

/* A step of a source with some readings of fan 1. */
static void gather(struct station *st, uint64_t from, uint64_t to, size_t readings)
{
    struct batch *out = pending_next(&pending);
    *out = (struct batch){
        .site = "s",
        .source = st->key,
        .received_us = RECEIVED,
        .from = {from ? "i" : "", from},
        .to = {"i", to},
        .clock_offset_us = TIME_UNKNOWN,
        .readings = arena_array(pending_mem(&pending), struct reading, readings),
        .reading_count = readings,
    };
    for (size_t k = 0; k < readings; k++)
        out->readings[k] = (struct reading){1, 3000000, RECEIVED + (int64_t)(from + k) * 1000};
    pending_add(&pending, st, 0);
}

static struct sent_back settle(void)
{
    struct sent_back back;
    ck_assert_msg(pending_settle(&pending, &back, &err), "%s", err.text);
    return back;
}

static const char *cursors(void)
{
    return rig_table(other, mem, "SELECT source, next_sequence FROM vaneward.source_cursor ORDER BY source");
}

START_TEST(batches_are_gathered_while_others_are_stored)
{
    ck_assert(db_begin(other, &err));
    rig_do(other, "LOCK TABLE vaneward.source_cursor IN SHARE MODE");
    gather(a, 0, 10, (size_t)_i);
    pending_store(&pending, db);
    for (int k = 0; k < 20; k++, usleep(1000))
        ck_assert(pending_is_storing(&pending) && !pending_is_over(&pending));
    gather(a, 10, 20, 1);
    gather(b, 0, 10, 1);
    db_rollback(other);
    while (!pending_is_over(&pending))
        usleep(1000);
    ck_assert_uint_eq(settle().count, 0);
    pending_tidy(&pending);
    ck_assert_str_eq(cursors(), "a,10");
    pending_store(&pending, db);
    ck_assert_uint_eq(settle().count, 0);
    ck_assert_str_eq(cursors(), "a,20; b,10");
    ck_assert_int_eq(rig_number(other, "SELECT sum(readings) FROM vaneward.journal"), _i + 2);
    ck_assert_uint_eq(pending_count(&pending), 0);
}
END_TEST

START_TEST(what_follows_on_a_batch_that_is_stale_is_dropped)
{
    rig_do(other, "INSERT INTO vaneward.source_cursor (site, source, instance, next_sequence)"
                  " VALUES ('s', 'a', 'i', 7)");
    gather(a, 0, 10, 1);
    gather(b, 0, 10, 1);
    pending_store(&pending, db);
    gather(a, 10, 20, 1);
    gather(b, 10, 20, 1);
    struct sent_back back = settle();
    ck_assert_uint_eq(back.count, 1);
    ck_assert_ptr_eq(back.stations[0], a);
    ck_assert_uint_eq(a->poll.next, 7);
    pending_store(&pending, db);
    ck_assert_uint_eq(settle().count, 0);
    ck_assert_str_eq(cursors(), "a,7; b,20");
    ck_assert_int_eq(totals.stale_batches, 1);
    ck_assert_int_eq(totals.readings, 2);
}
END_TEST

START_TEST(all_goes_to_the_spool_in_order_when_the_database_is_lost)
{
    struct spooled *spooled;
    size_t count;
    struct sent_back back;
    pending.drain = (struct drain){.spool = spool};
    ck_assert(db_begin(other, &err));
    rig_do(other, "LOCK TABLE vaneward.source_cursor IN SHARE MODE");
    gather(a, 0, 10, 1);
    pending_store(&pending, db);
    gather(a, 10, 20, 1);
    rig_do(other, "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                  " WHERE datname = current_database() AND pid <> pg_backend_pid() AND backend_type = "
                  "'client backend'");
    ck_assert(!pending_settle(&pending, &back, &err));
    ck_assert_uint_eq(pending_count(&pending), 0);
    err_clear(&err);
    ck_assert(spool_oldest(spool, 10, 1000, mem, &spooled, &count, &err));
    ck_assert_uint_eq(count, 2);
    ck_assert_uint_eq(spooled[0].batch.to.next, 10);
    ck_assert_uint_eq(spooled[1].batch.to.next, 20);
}
END_TEST

START_TEST(gathering_has_an_end)
{
    ck_assert(db_begin(other, &err));
    rig_do(other, "LOCK TABLE vaneward.source_cursor IN SHARE MODE");
    gather(a, 0, 10, 1);
    pending_store(&pending, db);
    uint64_t next = 10;
    for (; next < 1000 && !pending_is_over(&pending); next += 10)
        gather(a, next, next + 10, 10000);
    ck_assert_uint_lt(next, 1000);
    db_rollback(other);
    settle();
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("pending");
    tcase_set_timeout(tc, 60);
    tcase_add_unchecked_fixture(tc, start_server, NULL);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_loop_test(tc, batches_are_gathered_while_others_are_stored, 1, 2);
    tcase_add_loop_test(tc, batches_are_gathered_while_others_are_stored, 400000,
                        400001); /* beyond a buffer */
    tcase_add_test(tc, what_follows_on_a_batch_that_is_stale_is_dropped);
    tcase_add_test(tc, all_goes_to_the_spool_in_order_when_the_database_is_lost);
    tcase_add_test(tc, gathering_has_an_end);
    Suite *suite = suite_create("pending");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
