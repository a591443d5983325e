#include "rig.h"
#include "server.h"

#include "base/clock.h"
#include "fold.h"

#include <check.h>

#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

static const struct outbox_channels both = {{"command", "webhook"}, 2};
static const struct outbox_channels command = {{"command"}, 1};

static struct server *server;
static const char *conninfo;
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
    conninfo = server_prepared_database(server);
    ck_assert_msg(db_open(&db, conninfo, "test", &err), "%s", err.text);
    rig_register(db, 2);
    rig_do(db, "INSERT INTO vaneward.code_map (controller, native_code, kind) VALUES ('c', 'W1', "
               "'fan_warning'), ('c', 'A2', 'fan_alarm')");
}

static void tear_down(void)
{
    db_close(db);
    arena_free(mem);
}

/* Times are seconds before now, received in the order of the calls. */
static void condition(int ago, const char *drive, const char *state, const char *code)
{
    rig_do(db,
           arena_printf(mem,
                        "INSERT INTO vaneward.condition (site, source, instance, sequence, received_at, "
                        "occurred_at, device, item, state, native_code, machine, drive) VALUES ('s', 'a', "
                        "'i', %d, now() + %d * interval '1 ms', now() - %d * interval '1 s', 'dev', 'x%s', "
                        "'%s', nullif('%s', ''), 'm', '%s')",
                        next_sequence, next_sequence, ago, drive, state, code, drive));
    next_sequence++;
}

/* Then episodes are worked out. */
static void report(int ago, const char *drive, const char *state, const char *code,
                   const struct outbox_channels *to)
{
    int64_t drives;
    condition(ago, drive, state, code);
    ck_assert_msg(fold_new(db, to, &drives, &err), "%s", err.text);
}

static const char *alerts(void)
{
    return rig_table(db, mem,
                     "SELECT drive, channel, version, event FROM vaneward.alert_outbox"
                     " ORDER BY drive, channel, version, began_at");
}

START_TEST(each_change_is_written_once_a_channel)
{
    report(100, "d1", "warning", "W1", &both);
    report(40, "d1", "alarm", "A2", &both);
    report(30, "d1", "alarm", "A2", &both); /* nothing new but a further report */
    report(5, "d1", "normal", "", &both);
    ck_assert_str_eq(alerts(), "d1,command,1,opened; d1,command,2,alarm; d1,command,3,ended; "
                               "d1,webhook,1,opened; d1,webhook,2,alarm; d1,webhook,3,ended");
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT count(DISTINCT body::json ->> 'id'), count(DISTINCT alert_id),"
                               " bool_and(alert_id = (body::json ->> 'id') || '-' || version),"
                               " bool_and(length(body::json ->> 'id') = 32) FROM vaneward.alert_outbox"),
                     "1,3,t,t");
}
END_TEST

START_TEST(history_and_runs_without_channels_write_nothing)
{
    static const struct outbox_channels none = {{NULL}, 0};
    report(3 * 3600, "d1", "warning", "W1", &both);
    report(3 * 3600 - 60, "d1", "normal", "", &both);
    report(100, "d2", "warning", "W1", NULL);
    report(90, "d2", "normal", "", &none);
    ck_assert_str_eq(alerts(), "");
}
END_TEST

START_TEST(an_alarm_of_an_old_warning_is_news)
{
    report(2 * 3600, "d1", "warning", "W1", &command);
    report(60, "d1", "alarm", "A2", &command);
    ck_assert_str_eq(alerts(), "d1,command,1,alarm");
}
END_TEST

START_TEST(an_episode_that_proves_to_be_another_is_withdrawn)
{
    report(100, "d1", "warning", "W1", &command);
    rig_do(db, "UPDATE vaneward.condition SET sequence = 10 WHERE drive = 'd1'");
    next_sequence = 5;
    report(200, "d1", "warning", "W1", &command); /* late: it began earlier */
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT event, version, began_at < now() - interval '150 s' FROM "
                               "vaneward.alert_outbox ORDER BY began_at DESC, version"),
                     "opened,1,f; withdrawn,2,f; opened,1,t");
}
END_TEST

/* Each episode as it is known now was told, and nothing else. */
static void every_episode_is_told(int point)
{
    const char *wrong = rig_table(
        db, mem,
        "SELECT e.drive, e.began_at, o.event FROM (SELECT * FROM vaneward.episode WHERE known_until IS NULL) "
        "e"
        "  FULL JOIN (SELECT DISTINCT ON (drive, began_at) * FROM vaneward.alert_outbox"
        "              ORDER BY drive, began_at, version DESC) o"
        "    ON o.drive = e.drive AND o.began_at = e.began_at"
        " WHERE o.event IS DISTINCT FROM CASE WHEN e.ended_at IS NULL THEN 'opened' ELSE 'ended' END");
    ck_assert_msg(!*wrong, "point %d: %s", point, wrong);
    ck_assert_int_eq(rig_number(db, "SELECT count(*) - count(DISTINCT (drive, began_at, event)) FROM"
                                    " vaneward.alert_outbox"),
                     0);
}

/* Before and after each message to the server: episodes, their marks and their alerts are stored together. */
START_TEST(a_killed_fold_is_made_whole_by_the_next)
{
    static const char *const versions =
        "SELECT md5(string_agg(e::text, ' ' ORDER BY e::text)) FROM vaneward.episode e";
    static struct db *own; /* a child's; the parent's stays where it is */
    int64_t drives;
    int status = 0, point = 1;
    for (; point == 1 || !WIFEXITED(status); point++) {
        ck_assert_int_lt(point, 300);
        condition(3500 - 10 * point, "d1", point % 2 ? "warning" : "normal", point % 2 ? "W1" : "");
        condition(3500 - 10 * point, "d2", point % 3 ? "warning" : "normal", point % 3 ? "W1" : "");
        pid_t child = fork();
        if (child == 0) {
            ck_assert(db_open(&own, conninfo, "killed", &err));
            rig_die_at(point);
            _exit(!fold_new(own, &command, &drives, &err));
        }
        ck_assert_int_eq(waitpid(child, &status, 0), child);
        ck_assert(WIFSIGNALED(status) ? WTERMSIG(status) == SIGKILL : WEXITSTATUS(status) == 0);
        rig_wait_until_alone(db);
        every_episode_is_told(point);
    }
    ck_assert_int_gt(rig_number(db, "SELECT count(*) FROM vaneward.episode WHERE known_until IS NULL"), 10);
    ck_assert_int_eq(rig_number(db, "SELECT count(*) FROM vaneward.condition WHERE NOT folded"), 0);
    const char *killed = rig_table(db, mem, versions);
    ck_assert_msg(fold_all(db, &drives, &err), "%s", err.text);
    ck_assert_str_eq(rig_table(db, mem, versions), killed);
}
END_TEST

/* The only one that is due; NULL when none is. */
static struct outbox_alert *take_one(int64_t now_us)
{
    struct outbox_alert *taken;
    size_t count;
    ck_assert_msg(outbox_take(db, "command", 10, now_us, mem, &taken, &count, &err), "%s", err.text);
    ck_assert_uint_le(count, 1);
    return count ? taken : NULL;
}

START_TEST(one_episode_is_told_in_order_and_a_try_is_nobody_elses)
{
    report(100, "d1", "warning", "W1", &command);
    report(40, "d1", "alarm", "A2", &command);
    int64_t now_us = clock_now_us() + US_PER_S;
    struct outbox_alert *first = take_one(now_us);
    ck_assert_ptr_nonnull(first);
    ck_assert_str_eq(first->event, "opened");
    ck_assert_ptr_null(take_one(now_us)); /* it is under way, and the alarm waits for it */
    struct outbox_alert *again = take_one(now_us + OUTBOX_LEASE_US);
    ck_assert_str_eq(again->id, first->id);
    ck_assert_str_eq(again->body, first->body);
    ck_assert_int_eq(again->tries, 2);
    ck_assert(outbox_sent(db, again, "command", now_us, &err));
    ck_assert_str_eq(take_one(now_us)->event, "alarm");
}
END_TEST

START_TEST(what_fails_waits_longer_each_time_and_is_given_up_after_a_day)
{
    report(100, "d1", "warning", "W1", &command);
    int64_t now_us = clock_now_us() + US_PER_S;
    bool given_up = false;
    struct outbox_alert *a = take_one(now_us);
    ck_assert(outbox_failed(db, a, "command", now_us, "exit status 1", &given_up, &err));
    ck_assert(!given_up);
    ck_assert_ptr_null(take_one(now_us + US_PER_S / 2));
    int tries = 1;
    for (; !given_up; tries++) {
        now_us += 6 * 60 * US_PER_S;
        a = take_one(now_us);
        ck_assert_ptr_nonnull(a);
        ck_assert(outbox_failed(db, a, "command", now_us, "exit status 1", &given_up, &err));
    }
    ck_assert_int_gt(tries, 200); /* about one in 6 min for 24 h */
    ck_assert_int_lt(tries, 260);
    ck_assert_ptr_null(take_one(now_us + US_PER_DAY));
    ck_assert_str_eq(rig_table(db, mem,
                               "SELECT sent_at IS NULL, given_up_at IS NOT NULL, last_error FROM "
                               "vaneward.alert_outbox"),
                     "t,t,\"exit status 1\"");
}
END_TEST

START_TEST(what_is_settled_is_forgotten_after_a_month)
{
    report(100, "d1", "warning", "W1", &both);
    int64_t now_us = clock_now_us() + US_PER_S;
    ck_assert(outbox_sent(db, take_one(now_us), "command", now_us, &err));
    ck_assert(outbox_forget(db, now_us + 29 * US_PER_DAY, &err));
    ck_assert_str_eq(alerts(), "d1,command,1,opened; d1,webhook,1,opened");
    ck_assert(outbox_forget(db, now_us + 31 * US_PER_DAY, &err));
    ck_assert_str_eq(alerts(), "d1,webhook,1,opened");
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("outbox");
    tcase_set_timeout(tc, 60);
    tcase_add_unchecked_fixture(tc, start_server, NULL);
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, each_change_is_written_once_a_channel);
    tcase_add_test(tc, history_and_runs_without_channels_write_nothing);
    tcase_add_test(tc, an_alarm_of_an_old_warning_is_news);
    tcase_add_test(tc, an_episode_that_proves_to_be_another_is_withdrawn);
    tcase_add_test(tc, a_killed_fold_is_made_whole_by_the_next);
    tcase_add_test(tc, one_episode_is_told_in_order_and_a_try_is_nobody_elses);
    tcase_add_test(tc, what_fails_waits_longer_each_time_and_is_given_up_after_a_day);
    tcase_add_test(tc, what_is_settled_is_forgotten_after_a_month);
    Suite *suite = suite_create("outbox");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
