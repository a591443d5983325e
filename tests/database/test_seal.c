#include "seal_rig.h"

#include "journal.h"
#include "queries.h"
#include "seal_partitions.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

START_TEST(an_open_hour_stays_in_the_journal)
{
    int64_t ten = MIDNIGHT + 10 * US_PER_HOUR;
    store_one(ten + MINUTE, 1, ten + MINUTE - US_PER_S, 3000);
    seal_at(ten + 2 * MINUTE);
    ck_assert_str_eq(places(), "1,0,0");
    seal_at(ten + 64 * MINUTE); /* over, but within the grace */
    ck_assert_str_eq(places(), "1,0,0");
    seal_at(ten + 65 * MINUTE);
    ck_assert_str_eq(places(), "0,1,0");
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.fan_day"), 0);
}
END_TEST

START_TEST(a_row_two_hours_old_is_sealed_though_its_time_lies_ahead)
{
    int64_t ten = MIDNIGHT + 10 * US_PER_HOUR;
    store_one(ten, 1, ten + 5 * US_PER_HOUR, 3000); /* its clock is fast */
    seal_at(ten + 119 * MINUTE);
    ck_assert_str_eq(places(), "1,0,0");
    seal_at(ten + 121 * MINUTE);
    ck_assert_str_eq(places(), "0,1,0");
}
END_TEST

START_TEST(a_closed_day_becomes_one_block_a_fan_and_a_summary)
{
    for (int hour = 0; hour < 24; hour += 6) {
        int64_t at = MIDNIGHT + hour * US_PER_HOUR;
        store_one(at + US_PER_S, 1, at, 3000 + hour);
        store_one(at + US_PER_S, 2, at, 2000);
        seal_at(at + 66 * MINUTE);
    }
    ck_assert_str_eq(places(), "0,8,0");
    seal_at(MIDNIGHT + US_PER_DAY + 4 * MINUTE);
    ck_assert_str_eq(places(), "0,8,0");
    struct seal_report report = seal_at(MIDNIGHT + US_PER_DAY + 5 * MINUTE);
    ck_assert_int_eq(report.fan_days, 2);
    ck_assert_str_eq(places(), "0,0,8");
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.reading_day"), 2);
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT fan_no, day, readings, unavailable_readings, zero_readings, "
                               "covered_s, rpm_median, rpm_mean,"
                               " rpm_min, rpm_max, round(rpm_spread::numeric, 4), rpm_last, known_until"
                               " FROM vaneward.fan_day ORDER BY fan_no"),
                     "1,2024-10-04,4,0,0,86400,3009,3009,3000,3018,8.8956,3018,; "
                     "2,2024-10-04,4,0,0,86400,2000,2000,2000,2000,0.0000,2000,");
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT DISTINCT extract(epoch FROM known_from - '2024-10-04 00:00Z')::int AS "
                               "k FROM vaneward.fan_day"),
                     "64801");
    ck_assert_int_eq(
        rig_number(db, "SELECT count(*) FROM pg_inherits WHERE inhparent = 'vaneward.reading_hour'::regclass"
                       " AND inhrelid::regclass::text LIKE '%20241004'"),
        0);
}
END_TEST

START_TEST(late_readings_make_a_new_version_of_the_day)
{
    int64_t evening = MIDNIGHT + US_PER_DAY + US_PER_HOUR, late = evening + 5 * US_PER_HOUR;
    store_one(evening, 1, MIDNIGHT, 3000);
    seal_at(evening + MINUTE);
    store_one(late, 1, MIDNIGHT + 12 * US_PER_HOUR, 2000);
    seal_at(late + MINUTE);
    ck_assert_str_eq(places(), "0,0,2");
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.reading_day"), 1);
    ck_assert_str_eq(
        rig_table(db, mem,
                  "SELECT readings, rpm_median, extract(epoch FROM known_from - '2024-10-05 00:00Z')::int,"
                  " extract(epoch FROM known_until - '2024-10-05 00:00Z')::int"
                  " FROM vaneward.fan_day ORDER BY known_from"),
        "1,3000,3600,21600; 2,2500,21600,");
}
END_TEST

START_TEST(sealing_again_changes_nothing)
{
    int64_t now = MIDNIGHT + 2 * US_PER_DAY + 3 * US_PER_HOUR;
    for (int k = 0; k < 300; k++)
        store_one(now, 1 + k % 3, MIDNIGHT + k * 10 * MINUTE, 3000 + k % 7);
    struct seal_report first = seal_at(now + MINUTE);
    ck_assert_int_eq(first.readings, stored_count);
    const char *tables =
        "SELECT (SELECT md5(string_agg(t::text, ' ' ORDER BY t::text)) FROM vaneward.fan_day t),"
        " (SELECT md5(string_agg(t::text, ' ' ORDER BY t::text)) FROM vaneward.reading_day t),"
        " (SELECT md5(string_agg(t::text, ' ' ORDER BY t::text)) FROM vaneward.reading_hour t)";
    const char *before = rig_table(db, mem, tables);
    struct seal_report second = seal_at(now + MINUTE);
    ck_assert_int_eq(second.steps, 0);
    ck_assert_str_eq(rig_table(db, mem, tables), before);
}
END_TEST

static int64_t random_minutes(int most)
{
    return (int64_t)(rand() % most) * MINUTE + rand() % 60000 * 1000;
}

/* Days of readings that come in time, late, very late and from fast clocks, sealed in small steps. */
START_TEST(no_reading_is_ever_lost)
{
    srand((unsigned)_i);
    int64_t now = MIDNIGHT + 7 * US_PER_HOUR;
    for (int round = 0; round < 40; round++) {
        struct reading r[60];
        size_t n = (size_t)(rand() % 60);
        for (size_t k = 0; k < n; k++) {
            int64_t age = rand() % 10 ? random_minutes(90) : random_minutes(4000) - random_minutes(300);
            r[k] = (struct reading){1 + (uint32_t)(rand() % 4),
                                    rand() % 9 ? rand() % 4000 * 1000 : RPM_UNAVAILABLE, now - age};
        }
        store_at(now, r, n);
        now += random_minutes(200);
        for (int steps = rand() % 4; steps > 0; steps--) {
            struct seal_report report = {0};
            bool more;
            ck_assert_msg(seal_step(db, now, 50, &report, &more, &err), "%s", err.text);
            all_is_there("after a step");
        }
    }
    seal_at(now + 3 * US_PER_DAY);
    ck_assert_str_eq(places(), arena_printf(mem, "0,0,%zu", stored_count));
    summaries_are_true();
    ck_assert_int_eq(rig_number(db,
                                "SELECT count(*) FROM (SELECT FROM vaneward.fan_day WHERE known_until IS NULL"
                                " GROUP BY fan_no, day HAVING count(*) > 1) d"),
                     0);
}
END_TEST

/* Before and after each message that it sends to the server. */
START_TEST(a_killed_sealer_loses_nothing)
{
    static struct db *own; /* a child's; the parent's stays where it is */
    int64_t now = MIDNIGHT + 4 * US_PER_DAY + 12 * US_PER_HOUR;
    int status = 0;
    srand(11);
    for (int point = 1; point == 1 || !WIFEXITED(status); point++) {
        ck_assert_int_lt(point, 400);
        store_late(now, point);
        pid_t child = fork();
        if (child == 0) {
            struct seal_report report;
            own = open_session();
            rig_die_at(point);
            _exit(!seal(own, now + MINUTE, &report, &err) || report.was_busy);
        }
        ck_assert_int_eq(waitpid(child, &status, 0), child);
        ck_assert(WIFSIGNALED(status) ? WTERMSIG(status) == SIGKILL : WEXITSTATUS(status) == 0);
        rig_wait_until_alone(db);
        all_is_there("after a kill");
    }
    all_is_sealed_at(now + 3 * US_PER_DAY);
}
END_TEST

static _Noreturn void seal_for_ever(int64_t now)
{
    db = open_session();
    for (bool more;;) {
        struct seal_report report = {0};
        if (!seal_step(db, now, 40, &report, &more, &err)) {
            err_print("sealer", &err);
            _exit(EXIT_FAILURE);
        }
    }
}

START_TEST(two_sealers_at_once_and_late_readings)
{
    int64_t now = MIDNIGHT + 4 * US_PER_DAY + 12 * US_PER_HOUR;
    pid_t sealers[2];
    srand(12);
    for (int k = 0; k < 2; k++) {
        sealers[k] = fork();
        if (sealers[k] == 0)
            seal_for_ever(now + MINUTE);
    }
    for (int round = 0, days = 0; round < 40 || !days; round++) {
        ck_assert_int_lt(round, 1000);
        store_late(now, round);
        days = (int)rig_number(db, "SELECT count(*) FROM vaneward.reading_day");
    }
    for (int k = 0; k < 2; k++) {
        int status;
        kill(sealers[k], SIGKILL);
        ck_assert_int_eq(waitpid(sealers[k], &status, 0), sealers[k]);
        ck_assert(WIFSIGNALED(status)); /* it was still sealing */
    }
    rig_wait_until_alone(db);
    all_is_there("after two sealers");
    all_is_sealed_at(now + 3 * US_PER_DAY);
}
END_TEST

START_TEST(a_partition_that_another_one_makes_meanwhile_is_seen)
{
    static const char make[] = "SELECT vaneward.make_day_partition('reading_hour', '2030-01-01')";
    int status;
    rig_do(db, "BEGIN");
    rig_do(db, make);
    pid_t child = fork();
    if (child == 0) {
        struct db *own = open_session();
        _exit(!db_script(own, "make a partition", make, &err));
    }
    while (!rig_number(db, "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted"))
        ck_assert_int_eq(waitpid(child, &status, WNOHANG), 0);
    rig_do(db, "COMMIT");
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    ck_assert(WIFEXITED(status) && WEXITSTATUS(status) == 0);
}
END_TEST

START_TEST(two_sealers_exclude_each_other)
{
    int64_t now = MIDNIGHT + 2 * US_PER_DAY;
    store_one(now, 1, MIDNIGHT, 3000);
    struct db *other = open_session();
    rig_do(other, "BEGIN; SELECT pg_try_advisory_xact_lock(hashtext('vaneward'), hashtext('seal'))");
    struct seal_report report;
    ck_assert_msg(seal(db, now + MINUTE, &report, &err), "%s", err.text);
    ck_assert(report.was_busy);
    all_is_there("while another seals");
    ck_assert_str_eq(places(), "1,0,0");
    rig_do(other, "ROLLBACK");
    db_close(other);
    seal_at(now + MINUTE);
    ck_assert_str_eq(places(), "0,0,1");
}
END_TEST

/* A report reads for as long as it likes; only the emptied partitions wait for its end. */
START_TEST(a_reader_does_not_hold_up_the_sealer)
{
    static const char *const emptied =
        "SELECT count(*) FROM pg_inherits WHERE inhrelid = to_regclass('vaneward.reading_hour_20241004')";
    int64_t ten = MIDNIGHT + 10 * US_PER_HOUR;
    store_one(ten, 1, MIDNIGHT, 3000);
    seal_at(ten);
    struct db *reader = open_session();
    rig_do(reader,
           "BEGIN; SELECT count(*) FROM vaneward.reading_hour; SELECT count(*) FROM vaneward.reading_day");
    store_one(ten + 20 * US_PER_HOUR, 1, ten + 15 * US_PER_HOUR, 3000); /* needs a partition */
    db_set_deadline(db, 10000);
    seal_at(ten + 20 * US_PER_HOUR);
    ck_assert_str_eq(places(), "0,1,1");
    ck_assert_int_eq(rig_number(db, emptied), 1);
    rig_do(reader, "ROLLBACK");
    db_close(reader);
    seal_at(ten + 20 * US_PER_HOUR);
    ck_assert_int_eq(rig_number(db, emptied), 0);
}
END_TEST

/* The readings of a fan as the reporter gets them: from all its blocks, each from its moment on. */
static size_t count_of_fan(uint32_t fan_no)
{
    const struct db_value params[] = {db_text("s"), db_int(fan_no), db_moment(0),
                                      db_moment(MIDNIGHT + 2000 * US_PER_DAY)};
    struct rows *r;
    size_t found = 0;
    ck_assert_msg(db_query(db, &q_fan_blocks, params, 4, &r, &err), "%s", err.text);
    for (size_t k = 0; k < rows_count(r); k++) {
        size_t bytes, count;
        struct reading *readings;
        const uint8_t *block = rows_bytes(r, k, 0, mem, &bytes);
        ck_assert(block_decode(block, bytes, mem, &readings, &count, &err));
        for (size_t i = 0; i < count; i++)
            found += readings[i].fan_no == fan_no &&
                     (rows_null(r, k, 1) || readings[i].at_us >= rows_moment(r, k, 1));
    }
    rows_free(r);
    return found;
}

START_TEST(one_fan_is_read_whole_while_a_part_is_sealed)
{
    enum { FANS = 4, EACH = 30 };
    struct reading r[FANS * EACH];
    int64_t now = MIDNIGHT + 1200 * US_PER_DAY;
    size_t states = 0;
    for (int k = 0; k < FANS * EACH; k++) /* spread over more days than one step takes */
        r[k] = (struct reading){1 + (uint32_t)(k % FANS), k, now - k * 9 * US_PER_DAY - US_PER_DAY};
    store_at(now, r, FANS * EACH);
    struct seal_report report = {0};
    for (bool more = true; more; states++) {
        ck_assert_msg(seal_step(db, now + MINUTE, EACH, &report, &more, &err), "%s", err.text);
        for (uint32_t fan = 1; fan <= FANS; fan++)
            ck_assert_uint_eq(count_of_fan(fan), EACH);
    }
    ck_assert_uint_ge(states, 6);
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.journal"), 0);
}
END_TEST

/* A long report in the journal holds up neither the sealer nor those who write. */
START_TEST(a_part_that_is_read_is_emptied_later)
{
    int64_t now = MIDNIGHT + 2 * US_PER_DAY;
    struct seal_report report;
    struct db *reader = open_session();
    store_one(now, 1, MIDNIGHT, 3000);
    rig_do(reader, "BEGIN; SELECT count(*) FROM vaneward.journal");
    ck_assert_msg(seal(db, now, &report, &err), "%s", err.text);
    ck_assert(report.was_held);
    all_is_there("while the part is read");
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.reading_day"), 1);
    store_one(now, 1, MIDNIGHT + US_PER_S, 3000);
    all_is_there("with another one");
    rig_do(reader, "ROLLBACK");
    db_close(reader);
    seal_at(now);
    ck_assert_str_eq(places(), "0,0,2");
}
END_TEST

START_TEST(a_damaged_row_does_not_stand_before_the_others)
{
    static const struct reading fine = {1, 3000000, MIDNIGHT};
    int64_t now = MIDNIGHT + 2 * US_PER_DAY;
    store_one(now, 1, MIDNIGHT, 1000);
    store_one(now, 1, MIDNIGHT, 2000);
    stored_count = 0;
    rig_do(db,
           "UPDATE vaneward.journal SET data = CASE journal_no WHEN 1 THEN bytea '\\x00ff' ELSE data END");
    const struct reading never = {1, 1000000, INT64_MAX}; /* unpacks, but no table could hold it */
    const struct query spoil = {"spoil", "UPDATE vaneward.journal SET data = $1::bytea WHERE journal_no = 2",
                                1};
    size_t bytes;
    const uint8_t *block = block_encode(&never, 1, mem, &bytes);
    const struct db_value params[] = {db_bytes(block, bytes)};
    ck_assert_msg(db_exec(db, &spoil, params, 1, NULL, &err), "%s", err.text);
    store_at(now, &fine, 1);
    seal_at(now);
    ck_assert_str_eq(places(), "0,0,1");
    ck_assert_str_eq(
        rig_table(db, mem,
                  "SELECT journal_no, readings, length(data), reason FROM vaneward.journal_damaged"
                  " ORDER BY journal_no"),
        arena_printf(mem,
                     "1,1,2,\"a block of readings has version 0, this program reads 1\"; "
                     "2,1,%zu,\"fans or moments that cannot be\"",
                     bytes));
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.set_aside WHERE source = 'journal'"), 2);
}
END_TEST

/* Two readings of one fan at the same moment: what arrived last is the day's last, however it was sealed. */
START_TEST(readings_of_one_moment_keep_their_order)
{
    enum { TOGETHER = 1, SEALED_BETWEEN = 2, DAY_SEALED_BETWEEN = 4, LEFT_OVER = 8 };
    int64_t at = MIDNIGHT + 10 * US_PER_HOUR + 30 * MINUTE, now = at + MINUTE;
    const struct reading both[] = {{1, 3000000, at}, {1, 2000000, at}};
    if (_i & LEFT_OVER) { /* a flip before their hour is closed; an older row makes it due */
        store_one(now, 2, at - 3 * US_PER_HOUR, 1);
        store_at(now, both, 1);
        seal_at(now);
        ck_assert_str_eq(places(), "1,1,0");
    } else {
        store_at(now, both, _i & TOGETHER ? 2 : 1);
    }
    if (_i & SEALED_BETWEEN)
        seal_at(now + US_PER_HOUR);
    if (_i & DAY_SEALED_BETWEEN)
        seal_at(now + US_PER_DAY);
    if (!(_i & TOGETHER) || _i & LEFT_OVER)
        store_at(now + MINUTE, both + 1, 1);
    seal_at(now + 2 * US_PER_DAY);
    ck_assert_str_eq(
        rig_table(db, mem,
                  "SELECT readings, rpm_last FROM vaneward.fan_day WHERE fan_no = 1 AND known_until IS NULL"),
        "2,2000");
}
END_TEST

/* Each day is a partition, and a transaction can lock only so many. */
START_TEST(a_history_of_years_is_sealed_in_several_steps)
{
    int64_t now = MIDNIGHT + 2 * US_PER_DAY;
    for (int k = 0; k < 12; k++)
        store_one(now, 1, MIDNIGHT - (11 - k) * 150 * US_PER_DAY, 3000 + k);
    struct seal_report report = seal_at(now + MINUTE);
    ck_assert_int_eq(report.steps, 4); /* three spans of the journal; the hours of yesterday into its day */
    ck_assert_int_eq(report.fan_days, 12);
    ck_assert_str_eq(places(), "0,0,12");
}
END_TEST

START_TEST(sites_are_sealed_apart)
{
    int64_t now = MIDNIGHT + 2 * US_PER_DAY;
    store_one(now, 1, MIDNIGHT, 3000);
    rig_do(db, "INSERT INTO vaneward.site (site) VALUES ('other')");
    struct reading r = {1, 1500000, MIDNIGHT + US_PER_HOUR};
    ck_assert(db_begin(db, &err) && journal_write(db, "other", now, now, &r, 1, mem, &err) &&
              db_commit(db, &err));
    seal_at(now + MINUTE);
    ck_assert_str_eq(
        rig_table(db, mem, "SELECT site, fan_no, rpm_median FROM vaneward.fan_day ORDER BY site"),
        "other,1,1500; s,1,3000");
}
END_TEST

static int64_t partitions(const char *table, const char *until)
{
    return rig_number(db,
                      arena_printf(mem,
                                   "SELECT count(*) FROM pg_inherits i JOIN pg_class c ON c.oid = inhrelid"
                                   " WHERE inhparent = 'vaneward.%s'::regclass AND relname <= '%s_%s'",
                                   table, table, until));
}

/* Long after: three days at once. What comes late for a dropped day does not stand for the whole of it. */
START_TEST(old_days_are_dropped_and_their_summaries_stay)
{
    const struct seal_keep keep = {.raw_days = 90}, all = {0};
    int64_t now = MIDNIGHT + 5 * US_PER_DAY, later = MIDNIGHT + 93 * US_PER_DAY + US_PER_HOUR, dropped;
    for (int day = 0; day < 5; day++)
        for (int k = 0; k < 3; k++)
            store_one(now, 1, MIDNIGHT + day * US_PER_DAY + k * US_PER_HOUR, 3000 + day);
    seal_at(now + 10 * MINUTE);
    ck_assert_msg(seal_retain(db, later, &all, &dropped, &err), "%s", err.text);
    ck_assert_int_eq(dropped, 0);
    ck_assert_msg(seal_retain(db, later, &keep, &dropped, &err), "%s", err.text);
    ck_assert_int_eq(dropped, 3);
    ck_assert_int_eq(partitions("reading_day", "20241006"), 0);
    ck_assert_str_eq(places(), "0,0,6");
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.fan_day"), 5);

    memmove(stored, stored + 9, (stored_count -= 9) * sizeof *stored);
    store_one(later, 1, MIDNIGHT + 9 * US_PER_HOUR, 1);
    store_one(later, 2, MIDNIGHT + 9 * US_PER_HOUR, 2);
    seal_at(later + MINUTE);
    ck_assert_str_eq(
        rig_table(db, mem,
                  "SELECT fan_no, readings, rpm_median FROM vaneward.fan_day WHERE day = '2024-10-04'"
                  " ORDER BY fan_no, known_from"),
        "1,3,3000; 2,1,2");
    ck_assert_msg(seal_retain(db, later, &keep, &dropped, &err), "%s", err.text);
    ck_assert_int_eq(dropped, 1);
}
END_TEST

START_TEST(old_summaries_are_forgotten_day_by_day)
{
    const struct seal_keep keep = {.summary_days = 3};
    int64_t now = MIDNIGHT + 5 * US_PER_DAY, dropped;
    for (int day = 0; day < 5; day++)
        for (uint32_t fan = 1; fan < 4; fan++)
            store_one(now, fan, MIDNIGHT + day * US_PER_DAY, 3000);
    seal_at(now + 10 * MINUTE);
    ck_assert_msg(seal_retain(db, now, &keep, &dropped, &err), "%s", err.text);
    ck_assert_str_eq(
        rig_table(db, mem, "SELECT day, count(*) FROM vaneward.fan_day GROUP BY day ORDER BY day"),
        "2024-10-06,3; 2024-10-07,3; 2024-10-08,3");
    all_is_there("without summaries");
}
END_TEST

START_TEST(what_is_not_sealed_is_not_dropped)
{
    const struct seal_keep keep = {.raw_days = 1};
    int64_t now = MIDNIGHT + 6 * US_PER_HOUR, later = MIDNIGHT + 200 * US_PER_DAY, dropped;
    store_one(now, 1, MIDNIGHT + US_PER_HOUR, 3000);
    seal_at(now);
    rig_do(db, "SELECT vaneward.make_day_partition('reading_day', '2024-10-04')");
    store_one(now, 1, MIDNIGHT + 5 * US_PER_HOUR + 59 * MINUTE, 3000);
    ck_assert_msg(seal_retain(db, later, &keep, &dropped, &err), "%s", err.text);
    ck_assert_int_eq(partitions("reading_day", "20241004"), 1);
    ck_assert_str_eq(places(), "1,1,0");
    all_is_there("though old");
    seal_at(later);
    ck_assert_msg(seal_retain(db, later, &keep, &dropped, &err), "%s", err.text);
    ck_assert_str_eq(places(), "0,0,0");
    ck_assert_int_eq(rig_number(db, "SELECT sum(readings) FROM vaneward.fan_day"), 2);
}
END_TEST

int main(void)
{
    TCase *tc = seal_case("seal"), *rough = seal_case("rough");
    tcase_add_test(tc, an_open_hour_stays_in_the_journal);
    tcase_add_test(tc, a_row_two_hours_old_is_sealed_though_its_time_lies_ahead);
    tcase_add_test(tc, a_closed_day_becomes_one_block_a_fan_and_a_summary);
    tcase_add_test(tc, late_readings_make_a_new_version_of_the_day);
    tcase_add_test(tc, sealing_again_changes_nothing);
    tcase_add_test(tc, a_damaged_row_does_not_stand_before_the_others);
    tcase_add_loop_test(tc, readings_of_one_moment_keep_their_order, 0, 16);
    tcase_add_test(tc, a_history_of_years_is_sealed_in_several_steps);
    tcase_add_test(tc, sites_are_sealed_apart);
    tcase_add_test(tc, one_fan_is_read_whole_while_a_part_is_sealed);
    tcase_add_test(tc, old_days_are_dropped_and_their_summaries_stay);
    tcase_add_test(tc, old_summaries_are_forgotten_day_by_day);
    tcase_add_test(tc, what_is_not_sealed_is_not_dropped);
    tcase_add_loop_test(rough, no_reading_is_ever_lost, 0, 3);
    tcase_add_test(rough, a_killed_sealer_loses_nothing);
    tcase_add_test(rough, two_sealers_exclude_each_other);
    tcase_add_test(rough, a_partition_that_another_one_makes_meanwhile_is_seen);
    tcase_add_test(rough, two_sealers_at_once_and_late_readings);
    tcase_add_test(rough, a_reader_does_not_hold_up_the_sealer);
    tcase_add_test(rough, a_part_that_is_read_is_emptied_later);
    Suite *suite = suite_create("seal");
    suite_add_tcase(suite, tc);
    suite_add_tcase(suite, rough);
    return seal_run(suite);
}
