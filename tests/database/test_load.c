#include "rig.h"
#include "server.h"

#include "base/clock.h"
#include "load.h"
#include "totals.h"

#include <check.h>

#include <inttypes.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#define RECEIVED (INT64_C(1790000000) * US_PER_S)

static struct server *server;
static const char *conninfo;
static struct db *db;
static struct arena *mem;
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
    rig_register(db, 3);
}

static void tear_down(void)
{
    db_close(db);
    arena_free(mem);
}

static const struct observation warning = {.sequence = 12,
                                           .at_us = RECEIVED - 5 * US_PER_S,
                                           .category = CATEGORY_CONDITION,
                                           .device = "dev",
                                           .item = "xc",
                                           .type = "SYSTEM",
                                           .value = "it's \"slow\"\\",
                                           .state = STATE_WARNING,
                                           .native_code = "007"};

/* A batch with one of everything. */
static struct batch batch_of(const char *source, const char *instance, uint64_t from, uint64_t to)
{
    struct batch b = {
        .site = "s",
        .source = source,
        .received_us = RECEIVED,
        .from = {from ? instance : "", from},
        .to = {instance, to},
        .clock_offset_us = -1500000,
        .buffer_size = 1000,
        .last_sequence = to + 4,
    };
    struct observation *o = arena_alloc(mem, sizeof *o), *e = arena_alloc(mem, sizeof *e);
    *o = warning;
    o->sequence = to;
    *e = (struct observation){.sequence = to + 1,
                              .at_us = RECEIVED,
                              .device = "dev",
                              .item = "av",
                              .type = "",
                              .value = "AVAILABLE"};
    b.readings = arena_array(mem, struct reading, 2);
    b.readings[0] = (struct reading){1, 3000000, RECEIVED - 60 * US_PER_S + (int64_t)to};
    b.readings[1] = (struct reading){2, RPM_UNAVAILABLE, RECEIVED - 59 * US_PER_S + (int64_t)to};
    b.reading_count = 2;
    b.conditions = arena_array(mem, struct condition_row, 1);
    b.conditions[0] = (struct condition_row){.observation = o, .drive = "d1", .axis = "x", .machine = "m"};
    b.condition_count = 1;
    b.events = arena_array(mem, struct event_row, 1);
    b.events[0] = (struct event_row){e, ROLE_AVAILABILITY};
    b.event_count = 1;
    b.gaps = arena_array(mem, struct gap_row, 1);
    b.gaps[0] = (struct gap_row){instance, 3, 0, TIME_UNKNOWN, RECEIVED, "overrun"};
    b.gap_count = 1;
    b.set_aside = arena_array(mem, struct set_aside_row, 1);
    b.set_aside[0] = (struct set_aside_row){NULL, "no sequence", 0};
    b.set_aside_count = 1;
    return b;
}

static void load(const struct batch *batches, size_t count, struct load_result *results)
{
    ck_assert_msg(load_batches(db, batches, count, mem, results, &err), "%s", err.text);
}

static const char *cursors(void)
{
    return rig_table(db, mem,
                     "SELECT source, instance, next_sequence FROM vaneward.source_cursor ORDER BY source");
}

/* How many of everything lie in the database. */
static const char *contents(void)
{
    return rig_table(
        db, mem,
        "SELECT (SELECT coalesce(sum(readings), 0) FROM vaneward.journal),"
        " (SELECT count(*) FROM vaneward.condition), (SELECT count(*) FROM vaneward.device_event),"
        " (SELECT count(*) FROM vaneward.gap), (SELECT count(*) FROM vaneward.set_aside)");
}

START_TEST(a_batch_is_stored_with_all_that_it_holds)
{
    struct batch b = batch_of("a", "i1", 0, 10);
    struct load_result result;
    load(&b, 1, &result);
    ck_assert_int_eq(result.fate, LOAD_STORED);
    ck_assert_str_eq(cursors(), "a,i1,10");
    ck_assert_str_eq(contents(), "2,1,1,1,1");
    ck_assert_str_eq(
        rig_table(db, mem,
                  "SELECT source, instance, sequence, occurred_at = received_at - interval '5 s' AS t, "
                  "device, item,"
                  " item_type, state, native_code, condition_id, message, machine, drive, axis, folded"
                  " FROM vaneward.condition"),
        "a,i1,10,t,dev,xc,SYSTEM,warning,007,,\"it's \"\"slow\"\"\\\\\",m,d1,x,f");
    ck_assert_str_eq(
        rig_table(db, mem, "SELECT source, sequence, item, role, value FROM vaneward.device_event"),
        "a,11,av,availability,AVAILABLE");
    ck_assert_str_eq(
        rig_table(db, mem, "SELECT instance, from_sequence, to_sequence, from_at, reason FROM vaneward.gap"),
        "i1,3,,,overrun");
    ck_assert_str_eq(rig_table(db, mem, "SELECT instance, sequence, item, reason FROM vaneward.set_aside"),
                     "i1,,,\"no sequence\"");
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT last_sequence, buffer_size, clock_offset_ms, failures,"
                               " extract(epoch FROM last_contact_at)::bigint FROM vaneward.source_cursor"),
                     "14,1000,-1500,0,1790000000");
    size_t count;
    struct reading *r = rig_readings(db, mem, "s", &count);
    ck_assert_uint_eq(count, 2);
    ck_assert_mem_eq(r, b.readings, 2 * sizeof *r);
}
END_TEST

START_TEST(a_replayed_batch_stores_nothing)
{
    struct batch first = batch_of("a", "i1", 0, 10), second = batch_of("a", "i1", 10, 20);
    struct load_result result;
    load(&first, 1, &result);
    load(&second, 1, &result);
    const char *before = contents();
    load(_i == 0 ? &first : &second, 1, &result);
    ck_assert_int_eq(result.fate, LOAD_STALE);
    ck_assert_str_eq(contents(), before);
    ck_assert_str_eq(cursors(), "a,i1,20");
}
END_TEST

START_TEST(what_fails_at_commit_is_not_stored)
{
    struct batch b = batch_of("a", "i1", 0, 10);
    struct load_result result;
    rig_do(db, "CREATE FUNCTION public.fail() RETURNS trigger LANGUAGE plpgsql AS"
               " $$ BEGIN RAISE SQLSTATE '57014'; END $$;"
               "CREATE CONSTRAINT TRIGGER fail AFTER INSERT ON vaneward.journal"
               " DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION public.fail()");
    ck_assert(!load_batches(db, &b, 1, mem, &result, &err));
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    err_clear(&err);
    ck_assert_str_eq(contents(), "0,0,0,0,0");
    rig_do(db, "DROP TRIGGER fail ON vaneward.journal");
    load(&b, 1, &result);
    ck_assert_int_eq(result.fate, LOAD_STORED);
}
END_TEST

START_TEST(a_stale_batch_does_not_hold_up_the_others)
{
    struct batch b[] = {batch_of("a", "i1", 0, 10), batch_of("b", "j1", 5, 10)};
    struct load_result results[2];
    load(b, 2, results);
    ck_assert_int_eq(results[0].fate, LOAD_STORED);
    ck_assert_int_eq(results[1].fate, LOAD_STALE);
    ck_assert_str_eq(contents(), "2,1,1,1,1");
}
END_TEST

START_TEST(batches_of_one_source_follow_each_other)
{
    struct batch b[] = {batch_of("a", "i1", 0, 10), batch_of("b", "j1", 0, 10), batch_of("a", "i1", 10, 20),
                        batch_of("a", "i1", 20, 30)};
    struct load_result results[4];
    load(b, 4, results);
    for (int k = 0; k < 4; k++)
        ck_assert_int_eq(results[k].fate, LOAD_STORED);
    ck_assert_str_eq(cursors(), "a,i1,30; b,j1,10");
    ck_assert_str_eq(contents(), "8,4,4,4,4");
    struct batch hole[] = {batch_of("a", "i1", 30, 40), batch_of("a", "i1", 50, 60)};
    load(hole, 2, results);
    ck_assert_int_eq(results[0].fate, LOAD_STALE);
    ck_assert_int_eq(results[1].fate, LOAD_STALE);
    ck_assert_str_eq(cursors(), "a,i1,30; b,j1,10");
}
END_TEST

START_TEST(a_restart_moves_the_cursor_to_the_new_instance)
{
    struct batch first = batch_of("a", "i1", 0, 10), second = batch_of("a", "i2", 10, 4);
    second.from.instance = "i1";
    struct load_result result;
    load(&first, 1, &result);
    load(&second, 1, &result);
    ck_assert_int_eq(result.fate, LOAD_STORED);
    ck_assert_str_eq(cursors(), "a,i2,4");
    second.from.instance = "i2"; /* the right number in the wrong instance */
    second.from.next = 10;
    load(&second, 1, &result);
    ck_assert_int_eq(result.fate, LOAD_STALE);
}
END_TEST

START_TEST(a_refused_row_is_set_aside_and_the_rest_is_stored)
{
    struct batch b[] = {batch_of("a", "i1", 0, 10), batch_of("b", "j1", 0, 10), batch_of("a", "i1", 10, 20)};
    struct observation *bad = arena_alloc(mem, sizeof *bad);
    *bad = warning;
    bad->device = "\xff not UTF-8";
    b[1].conditions[0].observation = bad;
    struct load_result results[3];
    load(b, 3, results);
    for (int k = 0; k < 3; k++)
        ck_assert_int_eq(results[k].fate, LOAD_STORED);
    ck_assert_uint_eq(results[0].refused.conditions, 0);
    ck_assert_uint_eq(results[1].refused.conditions, 1);
    ck_assert_str_eq(cursors(), "a,i1,20; b,j1,10");
    ck_assert_str_eq(contents(), "6,2,3,3,4");
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT instance, sequence, item, reason LIKE 'condition: %UTF8%' FROM "
                               "vaneward.set_aside WHERE source = 'b' AND item IS NOT NULL"),
                     "j1,12,xc,t");
}
END_TEST

/* How the database is made to refuse: a state change, an event, a gap, a reading, a line of what was set
 * aside, each with something that it cannot hold. */
static void make_bad(struct batch *b, int how)
{
    static const struct observation far = {.sequence = 7,
                                           .at_us = INT64_MAX - 1,
                                           .device = "dev",
                                           .item = "\xfe",
                                           .type = "",
                                           .value = "AVAILABLE"};
    switch (how) {
    case 0:
        b->conditions[0].observation = &far;
        break;
    case 1:
        b->events[0].observation = &far;
        break;
    case 2:
        b->gaps[0].reason = "no such reason";
        break;
    case 3: /* any moment and number fits: here the journal is made to want less */
        rig_do(db, "ALTER TABLE vaneward.journal ADD CHECK (newest_at < '2200-01-01')");
        b->readings[1].at_us = RECEIVED + 400 * 365 * US_PER_DAY;
        break;
    default:
        b->set_aside[0].item = "\xff";
    }
}

static const char *const left_of_bad[] = {"2,0,1,1,2", "2,1,0,1,2", "2,1,1,0,2", "1,1,1,1,2", "2,1,1,1,1"};

START_TEST(whatever_is_refused_is_set_aside_with_its_reason)
{
    struct batch b = batch_of("a", "i1", 0, 10);
    make_bad(&b, _i);
    struct load_result result;
    load(&b, 1, &result);
    ck_assert_msg(result.fate == LOAD_STORED, "%s", result.why);
    ck_assert_str_eq(contents(), left_of_bad[_i]);
    struct totals t = {0};
    totals_add(&t, &b, &result.refused);
    ck_assert_str_eq(arena_printf(mem, "%" PRId64 ",%" PRId64 ",%" PRId64 ",%" PRId64 ",%" PRId64, t.readings,
                                  t.conditions, t.events, t.gaps, t.set_aside),
                     left_of_bad[_i]);
    ck_assert_str_eq(cursors(), "a,i1,10");
}
END_TEST

/* A batch of 1000 state changes of which some are bad: these are set aside, all others are stored. */
START_TEST(bad_rows_are_found_by_halving)
{
    enum { ROWS = 1000 };
    static const char *const bad_ones[] = {"", "0", "999", "0 1 2 500 998", "17 18 400 401 402 403 777"};
    struct batch b = batch_of("a", "i1", 0, 10);
    b.conditions = arena_array(mem, struct condition_row, ROWS);
    b.condition_count = ROWS;
    b.event_count = b.gap_count = b.set_aside_count = 0;
    for (size_t k = 0; k < ROWS; k++) {
        struct observation *o = arena_alloc(mem, sizeof *o);
        *o = warning;
        o->sequence = k + 1;
        b.conditions[k] = (struct condition_row){.observation = o};
    }
    size_t bad = 0;
    char *next;
    for (const char *p = bad_ones[_i]; *p; p = next) {
        size_t at = strtoul(p, &next, 10);
        struct observation *o = arena_alloc(mem, sizeof *o);
        *o = *b.conditions[at].observation;
        o->native_code = "\xc0";
        b.conditions[at].observation = o;
        bad++;
    }
    struct load_result result;
    load(&b, 1, &result);
    ck_assert_int_eq(result.fate, LOAD_STORED);
    ck_assert_uint_eq(result.refused.conditions, bad);
    ck_assert_str_eq(contents(), arena_printf(mem, "2,%zu,0,0,%zu", ROWS - bad, bad));
    ck_assert_str_eq(
        rig_table(db, mem,
                  "SELECT string_agg((sequence - 1)::text, ' ' ORDER BY sequence) FROM vaneward.set_aside"),
        bad ? (strchr(bad_ones[_i], ' ') ? arena_printf(mem, "\"%s\"", bad_ones[_i]) : bad_ones[_i]) : "");
}
END_TEST

/* Answers in any order and any number of times: what does not follow the cursor is not stored, so that once
 * each has come at its turn the tables are those of the plain order. */
START_TEST(any_order_and_repetition_gives_the_same_tables)
{
    enum { STEPS = 12 };
    uint32_t dice = 17 + (uint32_t)_i;
    struct batch steps[STEPS];
    for (uint64_t k = 0; k < STEPS; k++)
        steps[k] = batch_of("a", "i1", k * 10, k * 10 + 10);
    for (int tries = 0; tries < 2000 && strcmp(cursors(), "a,i1,120") != 0; tries++) {
        struct batch some[4];
        struct load_result results[4];
        size_t count = 0;
        for (; count < 1 + (size_t)tries % 4; count++) {
            dice = dice * 1664525 + 1013904223;
            some[count] = steps[(dice >> 16) % STEPS];
        }
        load(some, count, results);
    }
    ck_assert_str_eq(cursors(), "a,i1,120");
    ck_assert_str_eq(contents(), "24,12,12,12,12");
    ck_assert_str_eq(rig_table(db, mem, "SELECT count(DISTINCT sequence) FROM vaneward.condition"), "12");
    size_t count;
    struct reading *r = rig_readings(db, mem, "s", &count);
    ck_assert_uint_eq(count, 2 * STEPS);
    for (size_t k = 0; k < STEPS; k++) {
        ck_assert_int_eq(r[k].at_us, steps[k].readings[0].at_us);
        ck_assert_int_eq(r[STEPS + k].at_us, steps[k].readings[1].at_us);
    }
}
END_TEST

/* A step of a source with so many readings of fans in any order, and nothing else. */
static struct batch readings_of(const char *site, const char *source, size_t count)
{
    struct batch b = {
        .site = site, .source = source, .received_us = RECEIVED, .from = {"", 0}, .to = {"i1", count}};
    b.readings = arena_array(mem, struct reading, count);
    b.reading_count = count;
    for (size_t k = 0; k < count; k++)
        b.readings[k] = (struct reading){1 + (uint32_t)(k * 7919 % 5003), (int32_t)(3000 + k % 777) * 1000,
                                         RECEIVED + (int64_t)(k * 31337 % 1000) * 1000};
    return b;
}

static void check_readings(const char *site, const struct batch *const *batches, size_t count)
{
    size_t expected = 0, found;
    struct reading *all = rig_readings(db, mem, site, &found);
    struct reading *sent = arena_array(mem, struct reading, found);
    for (size_t k = 0; k < count; expected += batches[k++]->reading_count) {
        ck_assert_uint_le(expected + batches[k]->reading_count, found);
        memcpy(sent + expected, batches[k]->readings, batches[k]->reading_count * sizeof *sent);
    }
    ck_assert_uint_eq(expected, found);
    rig_sort(sent, found);
    ck_assert_mem_eq(all, sent, found * sizeof *all);
}

START_TEST(rows_of_each_site_lie_in_pages_and_hold_a_range_of_fans)
{
    rig_do(db, "INSERT INTO vaneward.site (site) VALUES ('other'); INSERT INTO vaneward.source (site, "
               "source, url, format)"
               " VALUES ('other', 'c', 'http://c', 'feed')");
    const struct batch batches[] = {readings_of("s", "a", 6000), readings_of("other", "c", 9000),
                                    readings_of("s", "b", 5000)};
    struct load_result results[3];
    load(batches, 3, results);
    for (size_t k = 0; k < 3; k++)
        ck_assert_int_eq(results[k].fate, LOAD_STORED);
    check_readings("s", (const struct batch *const[]){&batches[0], &batches[2]}, 2);
    check_readings("other", (const struct batch *const[]){&batches[1]}, 1);
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT sum(pg_relation_size(reltoastrelid)),"
                               " (SELECT max(length(data)) BETWEEN 7000 AND 8000 FROM vaneward.journal)"
                               " FROM pg_class WHERE relname IN ('journal_0', 'journal_1')"),
                     "0,t");
    const struct query q = {"rows_of_s",
                            "SELECT data FROM vaneward.journal WHERE site = 's' ORDER BY journal_no", 0};
    struct rows *r;
    uint32_t highest = 0;
    ck_assert(db_query(db, &q, NULL, 0, &r, &err));
    for (size_t k = 0; k < rows_count(r); k++) {
        struct reading *readings;
        size_t bytes, count;
        const uint8_t *block = rows_bytes(r, k, 0, mem, &bytes);
        ck_assert(block_decode(block, bytes, mem, &readings, &count, &err));
        for (size_t i = 0; i < count; i++) {
            ck_assert_uint_ge(readings[i].fan_no, highest);
            highest = readings[i].fan_no;
        }
    }
    rows_free(r);
}
END_TEST

START_TEST(an_empty_batch_only_moves_the_cursor)
{
    struct batch b = {.site = "s",
                      .source = "a",
                      .received_us = RECEIVED,
                      .from = {"", 0},
                      .to = {"i1", 7},
                      .clock_offset_us = TIME_UNKNOWN};
    struct load_result result;
    load(&b, 1, &result);
    ck_assert_int_eq(result.fate, LOAD_STORED);
    ck_assert_str_eq(contents(), "0,0,0,0,0");
    ck_assert_str_eq(
        rig_table(
            db, mem,
            "SELECT next_sequence, last_sequence, buffer_size, clock_offset_ms FROM vaneward.source_cursor"),
        "7,,,");
}
END_TEST

START_TEST(a_source_that_left_the_register_is_refused)
{
    struct batch b = batch_of("gone", "i1", 0, 10);
    struct load_result result;
    load(&b, 1, &result);
    ck_assert_int_eq(result.fate, LOAD_REFUSED);
    ck_assert_str_eq(contents(), "0,0,0,0,0");
}
END_TEST

/* Two collectors with the same step of the same source: one of them stores it. */
START_TEST(two_collectors_store_a_step_once)
{
    enum { STEPS = 30 };
    pid_t child = fork();
    db_close(db);
    db = open_session();
    for (uint64_t k = 0; k < STEPS; k++) {
        struct batch b = batch_of("a", "i1", k * 10, k * 10 + 10);
        struct load_result result;
        load(&b, 1, &result);
        for (int tries = 0; result.fate != LOAD_STORED && tries < 3; tries++)
            load(&b, 1, &result);
    }
    if (child == 0)
        _exit(0);
    int status;
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    ck_assert_int_eq(status, 0);
    ck_assert_str_eq(cursors(), "a,i1,300");
    ck_assert_str_eq(contents(), "60,30,30,30,30");
}
END_TEST

/* Killed before and after each message to the server: either the cursor has moved and all is there, or it has
 * not and nothing is. */
START_TEST(a_killed_load_is_stored_whole_or_not_at_all)
{
    static struct db *of_parent; /* a child leaves it alone */
    uint64_t at = 0;
    int status = 0;
    of_parent = db;
    for (int point = 1; !at || !WIFEXITED(status); point++) {
        ck_assert_int_lt(point, 400);
        pid_t child = fork();
        if (child == 0) {
            db = open_session();
            ck_assert_ptr_ne(db, of_parent);
            rig_die_at(point);
            for (uint64_t k = at; k < at + 2; k++) {
                struct batch b = batch_of("a", "i1", k * 10, k * 10 + 10);
                struct load_result result;
                load(&b, 1, &result);
                ck_assert_int_eq(result.fate, LOAD_STORED);
            }
            _exit(0);
        }
        ck_assert_int_eq(waitpid(child, &status, 0), child);
        ck_assert(WIFSIGNALED(status) ? WTERMSIG(status) == SIGKILL : WEXITSTATUS(status) == 0);
        rig_wait_until_alone(db);
        at = (uint64_t)rig_number(db,
                                  "SELECT coalesce((SELECT next_sequence FROM vaneward.source_cursor), 0)") /
             10;
        ck_assert_str_eq(
            contents(), arena_printf(mem, "%d,%d,%d,%d,%d", 2 * (int)at, (int)at, (int)at, (int)at, (int)at));
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("load");
    tcase_set_timeout(tc, 60);
    tcase_add_unchecked_fixture(tc, start_server, NULL);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, a_batch_is_stored_with_all_that_it_holds);
    tcase_add_loop_test(tc, a_replayed_batch_stores_nothing, 0, 2);
    tcase_add_test(tc, what_fails_at_commit_is_not_stored);
    tcase_add_test(tc, a_stale_batch_does_not_hold_up_the_others);
    tcase_add_test(tc, batches_of_one_source_follow_each_other);
    tcase_add_test(tc, a_restart_moves_the_cursor_to_the_new_instance);
    tcase_add_test(tc, a_refused_row_is_set_aside_and_the_rest_is_stored);
    tcase_add_loop_test(tc, whatever_is_refused_is_set_aside_with_its_reason, 0, 5);
    tcase_add_loop_test(tc, bad_rows_are_found_by_halving, 0, 5);
    tcase_add_loop_test(tc, any_order_and_repetition_gives_the_same_tables, 0, 3);
    tcase_add_test(tc, rows_of_each_site_lie_in_pages_and_hold_a_range_of_fans);
    tcase_add_test(tc, an_empty_batch_only_moves_the_cursor);
    tcase_add_test(tc, a_source_that_left_the_register_is_refused);
    tcase_add_test(tc, two_collectors_store_a_step_once);
    tcase_add_test(tc, a_killed_load_is_stored_whole_or_not_at_all);
    Suite *suite = suite_create("load");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
