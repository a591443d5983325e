/* Sites that are larger than a step of sealing, and blocks that are damaged. */
#include "seal_rig.h"

#include <signal.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

/* One site with far more readings than a step of this size takes, in rows of all fans. */
enum { MANY_FANS = 50, EACH_FAN = 60, FEW = 100 };

static void register_many_fans(void)
{
    rig_do(db, "INSERT INTO vaneward.drive (site, drive, machine) SELECT 's', 'd' || n, 'm' FROM "
               "generate_series(5, 50) n;"
               "INSERT INTO vaneward.fan (site, drive, position, fan_no)"
               " SELECT 's', 'd' || n, 'internal-1', n FROM generate_series(5, 50) n");
}

static void store_many(int64_t now, int64_t first_us)
{
    struct reading r[MANY_FANS];
    register_many_fans();
    for (int k = 0; k < EACH_FAN; k++) {
        for (uint32_t fan = 0; fan < MANY_FANS; fan++)
            r[fan] =
                (struct reading){1 + fan, rand() % 4000 * 1000, first_us + k * 30 * US_PER_S + fan * 1000};
        store_at(now, r, MANY_FANS);
    }
}

/* Steps until nothing is due or 'until' says so; the sum of what they report. */
static struct seal_report step_through(int64_t now, const char *until)
{
    struct seal_report report = {0};
    for (bool more = true; more && !(until && rig_number(db, until));) {
        ck_assert_msg(seal_step(db, now, FEW, &report, &more, &err), "%s", err.text);
        ck_assert(!report.was_busy && !report.was_held);
    }
    return report;
}

START_TEST(each_reading_is_unpacked_twice_however_small_a_step_is)
{
    int64_t ten = MIDNIGHT + 10 * US_PER_HOUR;
    store_many(ten + 40 * MINUTE, ten);
    struct seal_report report = step_through(ten + 66 * MINUTE, NULL);
    all_is_there("in small steps");
    ck_assert_str_eq(places(), arena_printf(mem, "0,%zu,0", stored_count));
    ck_assert_int_ge(report.steps, MANY_FANS * EACH_FAN / FEW);
    ck_assert_int_eq(report.unpacked, 2 * (int64_t)stored_count);
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.journal_scattered"), 0);
}
END_TEST

/* As a crash of the server leaves it; as a fault of its disk does. */
START_TEST(what_was_scattered_and_is_lost_or_damaged_is_scattered_again)
{
    static const char *const spoils[] = {
        "TRUNCATE vaneward.journal_scattered", "UPDATE vaneward.journal_scattered SET data = '\\x0102'",
        "UPDATE vaneward.journal_scattered SET data = left(data::text, 40)::bytea"};
    int64_t ten = MIDNIGHT + 10 * US_PER_HOUR;
    store_many(ten + 40 * MINUTE, ten);
    step_through(ten + 66 * MINUTE, "SELECT (count(*) > 10)::int FROM vaneward.reading_hour");
    ck_assert_int_gt(rig_number(db, "SELECT count(*) FROM vaneward.journal_scattered"), 0);
    rig_do(db, spoils[_i]);
    step_through(ten + 66 * MINUTE, NULL);
    all_is_there("scattered twice");
    ck_assert_str_eq(places(), arena_printf(mem, "0,%zu,0", stored_count));
}
END_TEST

START_TEST(rows_of_the_open_hour_go_back_to_the_journal_whole)
{
    static const char *const rows =
        "SELECT journal_no, received_at, newest_at, readings, md5(data) FROM vaneward.journal"
        " WHERE newest_at > '2024-10-04 11:00Z' ORDER BY journal_no";
    struct reading r[MANY_FANS];
    int64_t ten = MIDNIGHT + 10 * US_PER_HOUR, eleven = ten + US_PER_HOUR;
    store_many(ten + 40 * MINUTE, ten);
    for (int k = 1; k < 4; k++) {
        for (uint32_t fan = 0; fan < MANY_FANS; fan++)
            r[fan] = (struct reading){1 + fan, 1000 * k, eleven + k * MINUTE};
        store_at(eleven + k * MINUTE + US_PER_S, r, MANY_FANS);
    }
    const char *before = rig_table(db, mem, rows);
    step_through(eleven + 6 * MINUTE, NULL);
    all_is_there("with an open hour");
    ck_assert_str_eq(rig_table(db, mem, rows), before);
    ck_assert_str_eq(places(), arena_printf(mem, "%d,%d,0", 3 * MANY_FANS, MANY_FANS * EACH_FAN));
}
END_TEST

/* At its first messages, in steps that are too small for what is new. */
START_TEST(a_killed_sealer_that_scatters_loses_nothing)
{
    static struct db *own; /* a child's; the parent's stays where it is */
    int64_t now = MIDNIGHT + 4 * US_PER_DAY + 12 * US_PER_HOUR;
    int killed = 0;
    srand(13);
    for (int k = 0; k < 300; k++) /* more rows than are read at once */
        store_one(now, 1 + k % 4, now - US_PER_DAY - k * 7 * MINUTE, 3000 + k);
    for (int point = 1; point <= 80; point++) {
        store_late(now, point);
        pid_t child = fork();
        if (child == 0) {
            struct seal_report report = {0};
            bool more = true, ok = true;
            own = open_session();
            rig_die_at(point);
            while (ok && more)
                ok = seal_step(own, now + MINUTE, 10, &report, &more, &err);
            _exit(!ok || report.was_busy);
        }
        int status;
        ck_assert_int_eq(waitpid(child, &status, 0), child);
        ck_assert(WIFSIGNALED(status) ? WTERMSIG(status) == SIGKILL : WEXITSTATUS(status) == 0);
        killed += WIFSIGNALED(status);
        rig_wait_until_alone(db);
        all_is_there("after a kill");
    }
    ck_assert_int_gt(killed, 60);
    all_is_sealed_at(now + 3 * US_PER_DAY);
}
END_TEST

/* An hour block is damaged before its day is closed; then the day block, before a late reading comes. */
START_TEST(a_damaged_block_is_set_aside_at_once)
{
    static const char *const days = "SELECT fan_no, readings, rpm_median FROM vaneward.fan_day"
                                    " WHERE known_until IS NULL ORDER BY fan_no";
    int64_t ten = MIDNIGHT + 10 * US_PER_HOUR, next_day = MIDNIGHT + US_PER_DAY + 10 * MINUTE;
    for (int k = 0; k < 2; k++)
        for (uint32_t fan = 1; fan < 4; fan++)
            store_one(ten, fan, MIDNIGHT + k * US_PER_HOUR, 1000 * (int)fan);
    seal_at(ten);
    stored_count = 0;
    rig_do(db,
           "UPDATE vaneward.reading_hour h SET data = CASE fan_no WHEN 1 THEN '\\x0102' ELSE"
           " (SELECT data FROM vaneward.reading_hour o WHERE o.fan_no = 3 AND o.starts_at = h.starts_at) END"
           " WHERE fan_no < 3 AND starts_at = '2024-10-04 00:00Z'");
    ck_assert_msg(seal(db, next_day, &(struct seal_report){0}, &err), "%s", err.text);
    ck_assert_str_eq(places(), "0,0,4");
    ck_assert_str_eq(rig_table(db, mem, days), "1,1,1000; 2,1,2000; 3,2,3000");

    rig_do(db, "UPDATE vaneward.reading_day SET data = '\\xff' WHERE fan_no = 3");
    store_one(next_day, 3, ten, 9);
    ck_assert_msg(seal(db, next_day + MINUTE, &(struct seal_report){0}, &err), "%s", err.text);
    ck_assert_str_eq(places(), "0,0,3");
    ck_assert_str_eq(rig_table(db, mem, days), "1,1,1000; 2,1,2000; 3,2,3000");
    ck_assert_str_eq(
        rig_table(db, mem,
                  "SELECT fan_no, extract(epoch FROM starts_at - '2024-10-04 00:00Z')::int AS s, readings,"
                  " reason FROM vaneward.reading_damaged ORDER BY fan_no"),
        "1,0,1,\"a damaged block of 2 readings in 2 bytes\"; "
        "2,0,1,\"readings of another fan or time\"; "
        "3,0,2,\"a block of readings has version 255, this program reads 1\"");
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.set_aside WHERE source = 'block'"), 3);
}
END_TEST

int main(void)
{
    TCase *tc = seal_case("scatter");
    tcase_add_test(tc, each_reading_is_unpacked_twice_however_small_a_step_is);
    tcase_add_loop_test(tc, what_was_scattered_and_is_lost_or_damaged_is_scattered_again, 0, 3);
    tcase_add_test(tc, rows_of_the_open_hour_go_back_to_the_journal_whole);
    tcase_add_test(tc, a_killed_sealer_that_scatters_loses_nothing);
    tcase_add_test(tc, a_damaged_block_is_set_aside_at_once);
    Suite *suite = suite_create("seal_scatter");
    suite_add_tcase(suite, tc);
    return seal_run(suite);
}
