#include "seal_rig.h"

#include "server.h"

#include "journal.h"
#include "summary.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static struct server *server;
static const char *conninfo;
struct db *db;
struct arena *mem;
struct err err;

static void start_server(void)
{
    server = server_start(NULL);
}

struct db *open_session(void)
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
    rig_register(db, 4);
}

static void tear_down(void)
{
    db_close(db);
    arena_free(mem);
}

struct reading stored[MOST_STORED];
size_t stored_count;

void store_at(int64_t received_us, const struct reading *readings, size_t count)
{
    ck_assert(db_begin(db, &err));
    ck_assert_msg(journal_write(db, "s", received_us, received_us, readings, count, mem, &err), "%s",
                  err.text);
    ck_assert(db_commit(db, &err));
    memcpy(stored + stored_count, readings, count * sizeof *readings);
    stored_count += count;
}

void store_one(int64_t received_us, uint32_t fan_no, int64_t at_us, int32_t rpm)
{
    struct reading r = {fan_no, rpm * 1000, at_us};
    store_at(received_us, &r, 1);
}

void all_is_there(const char *when)
{
    struct reading *expected = arena_array(mem, struct reading, stored_count);
    size_t count;
    memcpy(expected, stored, stored_count * sizeof *stored);
    rig_sort(expected, stored_count);
    struct reading *found = rig_readings(db, mem, "s", &count);
    ck_assert_msg(count == stored_count, "%s: %zu readings, not %zu", when, count, stored_count);
    for (size_t k = 0; k < count; k++)
        ck_assert_msg(found[k].fan_no == expected[k].fan_no && found[k].at_us == expected[k].at_us &&
                          found[k].milli_rpm == expected[k].milli_rpm,
                      "%s: reading %zu is another", when, k);
}

struct seal_report seal_at(int64_t now_us)
{
    struct seal_report report;
    ck_assert_msg(seal(db, now_us, &report, &err), "%s", err.text);
    ck_assert(!report.was_busy);
    all_is_there("sealed");
    return report;
}

const char *places(void)
{
    return rig_table(db, mem,
                     "SELECT (SELECT coalesce(sum(readings), 0) FROM vaneward.journal),"
                     " (SELECT coalesce(sum(readings), 0) FROM vaneward.reading_hour),"
                     " (SELECT coalesce(sum(readings), 0) FROM vaneward.reading_day)");
}

void summaries_are_true(void)
{
    size_t count, at = 0;
    struct reading *all = rig_readings(db, mem, "s", &count);
    while (at < count) {
        size_t n = 1;
        int32_t day = day_of(all[at].at_us);
        while (at + n < count && all[at + n].fan_no == all[at].fan_no && day_of(all[at + n].at_us) == day)
            n++;
        struct day_figures f = summary_of_day(&all[at], n, day_start_us(day), mem);
        const char *row = rig_table(db, mem,
                                    arena_printf(mem,
                                                 "SELECT readings, unavailable_readings, zero_readings, "
                                                 "covered_s, round(coalesce(rpm_median, -1)::numeric, 6)"
                                                 " FROM vaneward.fan_day WHERE known_until IS NULL AND "
                                                 "fan_no = %u AND day = date '1970-01-01' + %d",
                                                 all[at].fan_no, day));
        ck_assert_str_eq(row, arena_printf(mem, "%d,%d,%d,%d,%.6f", f.readings, f.unavailable, f.zero,
                                           f.covered_s, isnan(f.median) ? -1.0 : f.median));
        at += n;
    }
}

void store_late(int64_t now, int salt)
{
    struct reading r[16];
    for (int k = 0; k < 16; k++) {
        int64_t age = (5 + (k + salt) % 4 * 20) * US_PER_HOUR + rand() % 60 * MINUTE;
        int64_t own = (int64_t)stored_count + k; /* no two at the same moment: their order is nobody's */
        r[k] = (struct reading){1 + (uint32_t)(k % 4), rand() % 4000 * 1000, now - age - own};
    }
    store_at(now, r, 16);
}

void all_is_sealed_at(int64_t now)
{
    seal_at(now);
    all_is_there("at the end");
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.journal"), 0);
    summaries_are_true();
}

TCase *seal_case(const char *name)
{
    TCase *tc = tcase_create(name);
    tcase_set_timeout(tc, 300);
    tcase_add_unchecked_fixture(tc, start_server, NULL);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    return tc;
}

int seal_run(Suite *suite)
{
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
