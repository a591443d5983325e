/* The way out of the spool, share by share. */
#include "rig.h"
#include "server.h"

#include "base/clock.h"
#include "drain.h"

#include <check.h>

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define RECEIVED (INT64_C(1790000000) * US_PER_S)

static struct server *server;
static const char *conninfo;
static struct db *db;
static struct arena *mem;
static struct spool *spool;
static struct drain drain;
static char folder[64];
static size_t steps_stored;
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
    const struct spool_limits limits = {
        .max_bytes = (uint64_t)1 << 28, .segment_bytes = 1 << 20, .min_free = 0};
    mem = arena_new(SIZE_MAX);
    conninfo = server_prepared_database(server);
    db = open_session();
    rig_register(db, 3);
    snprintf(folder, sizeof folder, "/tmp/test-drain-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    ck_assert_msg(spool_open(&spool, folder, &limits, &err), "%s", err.text);
    drain = (struct drain){.spool = spool};
    steps_stored = 0;
}

/* How many files there are whose name begins so; they go. */
static int files(const char *prefix)
{
    int count = 0;
    DIR *d = opendir(folder);
    for (const struct dirent *e; (e = readdir(d));)
        if (e->d_name[0] != '.' && strncmp(e->d_name, prefix, strlen(prefix)) == 0) {
            unlinkat(dirfd(d), e->d_name, 0);
            count++;
        }
    closedir(d);
    return count;
}

static void tear_down(void)
{
    spool_close(spool);
    files("");
    rmdir(folder);
    db_close(db);
    arena_free(mem);
}

/* From sequence k to k+1, with a warning and as many readings as asked. */
static struct batch batch_of(const char *source, uint64_t k, size_t readings)
{
    struct observation *o = arena_alloc(mem, sizeof *o);
    struct batch b = {.site = "s",
                      .source = source,
                      .received_us = RECEIVED + (int64_t)k,
                      .from = {k ? "i" : "", k},
                      .to = {"i", k + 1},
                      .clock_offset_us = TIME_UNKNOWN,
                      .reading_count = readings};
    *o = (struct observation){.sequence = k + 1,
                              .at_us = RECEIVED + (int64_t)k,
                              .category = CATEGORY_CONDITION,
                              .device = "dev",
                              .item = "xc",
                              .type = "SYSTEM",
                              .state = STATE_WARNING};
    b.conditions = arena_array(mem, struct condition_row, 1);
    b.conditions[0] = (struct condition_row){.observation = o, .drive = "d1", .machine = "m"};
    b.condition_count = 1;
    b.readings = arena_array(mem, struct reading, readings);
    for (size_t n = 0; n < readings; n++)
        b.readings[n] =
            (struct reading){1, (int32_t)(3000000 + n), RECEIVED + (int64_t)(k * readings + n) * US_PER_S};
    return b;
}

static void append(const char *source, uint64_t from, uint64_t count, size_t readings)
{
    struct batch *batches = arena_array(mem, struct batch, count);
    for (uint64_t k = 0; k < count; k++)
        batches[k] = batch_of(source, from + k, readings);
    ck_assert_msg(spool_append(spool, batches, count, &err), "%s", err.text);
}

static void note_stored(void *context, const struct batch *b, const struct refused_rows *refused)
{
    (void)context;
    (void)b;
    (void)refused;
    steps_stored++;
}

static bool turn(void)
{
    bool states;
    ck_assert_msg(drain_turn(&drain, db, note_stored, NULL, &states, &err), "%s", err.text);
    return states;
}

static int turns_to_the_end(void)
{
    int turns = 0;
    for (; !spool_empty(spool); turns++) {
        ck_assert_int_lt(turns, 1000);
        turn();
    }
    return turns;
}

static const char *contents(void)
{
    return rig_table(
        db, mem,
        "SELECT (SELECT coalesce(sum(readings), 0) FROM vaneward.journal),"
        " (SELECT count(*) FROM vaneward.condition), (SELECT count(*) FROM vaneward.gap),"
        " (SELECT count(*) FROM vaneward.set_aside),"
        " (SELECT string_agg(source || next_sequence, '+' ORDER BY source) FROM vaneward.source_cursor)");
}

START_TEST(the_newest_state_changes_come_first_and_move_no_cursor)
{
    append("a", 0, 1500, 1);
    ck_assert(turn());
    ck_assert_str_eq(
        rig_table(db, mem, "SELECT count(*), min(sequence), max(sequence) FROM vaneward.condition"),
        "1024,477,1500");
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.source_cursor"), 0);
    turns_to_the_end();
    ck_assert_str_eq(contents(), "1500,1500,0,0,a1500");
    ck_assert_uint_eq(steps_stored, 1500);
}
END_TEST

START_TEST(what_changes_while_it_drains_is_stored_in_the_next_turn)
{
    append("a", 0, 1100, 1);
    turn();
    append("a", 1100, 700, 1);
    turn();
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.condition WHERE sequence > 1100"), 700);
    turns_to_the_end();
    ck_assert_str_eq(contents(), "1800,1800,0,0,a1800");
}
END_TEST

START_TEST(what_is_stored_already_is_not_stored_again)
{
    append("a", 0, 10, 3);
    turns_to_the_end();
    append("a", 0, 10, 3); /* as after a kill between COMMIT and forgetting */
    append("a", 10, 5, 3);
    turns_to_the_end();
    ck_assert_str_eq(contents(), "45,15,0,0,a15");
}
END_TEST

/* Lost in the middle of its transaction. */
START_TEST(what_could_not_be_stored_stays_in_the_spool)
{
    bool states;
    struct db *other = open_session();
    append("a", 0, 10, 3);
    rig_do(other, "BEGIN; LOCK vaneward.journal");
    db_set_deadline(db, 500);
    ck_assert(!drain_turn(&drain, db, note_stored, NULL, &states, &err));
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    err_clear(&err);
    db_close(other);
    db_close(db);
    db = open_session();
    rig_wait_until_alone(db);
    turns_to_the_end();
    ck_assert_str_eq(contents(), "30,10,0,0,a10");
}
END_TEST

START_TEST(a_hole_is_a_gap_and_what_comes_after_it_is_stored)
{
    append("a", 0, 3, 2);
    append("a", 7, 3, 2);
    append("b", 0, 2, 2);
    turns_to_the_end();
    ck_assert_str_eq(contents(), "16,8,1,0,a10+b2");
    ck_assert_str_eq(
        rig_table(db, mem, "SELECT source, instance, from_sequence, to_sequence, reason FROM vaneward.gap"),
        "a,i,3,7,spool");
}
END_TEST

START_TEST(a_source_that_left_the_register_goes_to_a_file_and_the_others_to_the_database)
{
    append("a", 0, 3, 2);
    append("gone", 0, 3, 2);
    append("b", 0, 3, 2);
    turns_to_the_end();
    ck_assert_str_eq(contents(), "12,9,0,0,a3+b3");
    ck_assert_int_eq(files("refused-"), 1);
}
END_TEST

/* At a period of 10 s a hundred sources bring these batches in 200 s. */
START_TEST(it_drains_much_faster_than_real_time)
{
    enum { SOURCES = 100, BATCHES = 20, READINGS = 50 };
    rig_do(db, "INSERT INTO vaneward.source (site, source, url, format, period_s)"
               " SELECT 's', 'n' || n, 'http://127.0.0.1/', 'feed', 10 FROM generate_series(1, 100) n");
    for (int n = 1; n <= SOURCES; n++)
        append(arena_printf(mem, "n%d", n), 0, BATCHES, READINGS);
    int64_t began_ms = clock_mono_ms();
    turns_to_the_end();
    int64_t took_ms = clock_mono_ms() - began_ms;
    printf("drained %d batches with %d readings in %ld ms\n", SOURCES * BATCHES, SOURCES * BATCHES * READINGS,
           (long)took_ms);
    ck_assert_uint_eq(steps_stored, SOURCES * BATCHES);
    ck_assert_int_eq(rig_number(db, "SELECT sum(readings) FROM vaneward.journal"),
                     SOURCES * BATCHES * READINGS);
    ck_assert_int_lt(took_ms, 200 * 1000 / 5);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("drain");
    tcase_set_timeout(tc, 120);
    tcase_add_unchecked_fixture(tc, start_server, NULL);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, the_newest_state_changes_come_first_and_move_no_cursor);
    tcase_add_test(tc, what_changes_while_it_drains_is_stored_in_the_next_turn);
    tcase_add_test(tc, what_is_stored_already_is_not_stored_again);
    tcase_add_test(tc, what_could_not_be_stored_stays_in_the_spool);
    tcase_add_test(tc, a_hole_is_a_gap_and_what_comes_after_it_is_stored);
    tcase_add_test(tc, a_source_that_left_the_register_goes_to_a_file_and_the_others_to_the_database);
    tcase_add_test(tc, it_drains_much_faster_than_real_time);
    Suite *s = suite_create("drain");
    suite_add_tcase(s, tc);
    SRunner *runner = srunner_create(s);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
