#include "server.h"

#include "base/clock.h"
#include "db.h"

#include <check.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define STATEMENT(text) (&(const struct query){"outage", text, 0})

static struct server *server;
static struct db *db;
static struct err err;

static void start_server(void)
{
    server = server_start(NULL);
}

static struct db *open_at(const char *conninfo)
{
    struct db *opened;
    ck_assert_msg(db_open(&opened, conninfo, "test", &err), "%s", err.text);
    return opened;
}

static void open_session(void)
{
    db = open_at(server_conninfo(server));
}

static void close_session(void)
{
    db_close(db);
}

static void script(const char *text)
{
    ck_assert_msg(db_script(db, "setup", text, &err), "%s", err.text);
}

static int64_t int_of(const char *text)
{
    struct rows *rows;
    ck_assert_msg(db_query(db, STATEMENT(text), NULL, 0, &rows, &err), "%s", err.text);
    int64_t value = rows_int(rows, 0, 0);
    rows_free(rows);
    return value;
}

static bool copy_numbers(int count)
{
    for (int k = 0; k < count; k++) {
        const struct db_value cells[] = {db_int(k), db_text("some text that makes the row longer")};
        if (!db_copy_row(db, cells, 2, &err))
            return false;
    }
    return db_copy_end(db, NULL, &err);
}

START_TEST(a_call_ends_at_its_deadline)
{
    int64_t before = clock_mono_ms();
    db_set_deadline(db, 300);
    ck_assert(!db_exec(db, STATEMENT("SELECT pg_sleep(20)"), NULL, 0, NULL, &err));
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    ck_assert(db_is_broken(db));
    int64_t took = clock_mono_ms() - before;
    ck_assert_msg(took >= 290 && took < 5000, "took %d ms", (int)took);

    err_clear(&err); /* a broken session fails at once, and can be closed */
    before = clock_mono_ms();
    ck_assert(!db_script(db, "later", "SELECT 1", &err));
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    ck_assert(clock_mono_ms() - before < 100);
}
END_TEST

START_TEST(without_a_deadline_a_call_may_take_its_time)
{
    db_set_deadline(db, 100);
    db_set_deadline(db, 0);
    script("SELECT pg_sleep(0.4)");
    ck_assert_int_eq(db_deadline(db), 0);
}
END_TEST

/* A child that ends a server of this test's own a moment later. */
static void stop_soon(struct server *own, int with_signal)
{
    pid_t postmaster = server_pid(own);
    if (fork() == 0) {
        usleep(300000);
        kill(postmaster, with_signal);
        _exit(0);
    }
}

static const int signals[] = {SIGINT, SIGQUIT};

START_TEST(a_server_that_stops_in_a_query_is_unavailable)
{
    struct server *own = server_start(NULL);
    struct db *there = open_at(server_conninfo(own));
    stop_soon(own, signals[_i]);
    ck_assert(!db_exec(there, STATEMENT("SELECT pg_sleep(20)"), NULL, 0, NULL, &err));
    ck_assert_msg(err.kind == ERR_UNAVAILABLE, "%s (%s)", err.text, err.sqlstate);
    ck_assert(db_is_broken(there));
    db_rollback(there);
    db_close(there);
    server_remove(own);
}
END_TEST

START_TEST(a_server_that_stops_in_a_copy_is_unavailable)
{
    struct server *own = server_start(NULL);
    struct db *there = open_at(server_conninfo(own));
    ck_assert(db_script(there, "setup", "CREATE TABLE public.t (a bigint, b text)", &err));
    ck_assert(db_begin(there, &err));
    ck_assert(db_copy_begin(there, STATEMENT("COPY public.t FROM STDIN"), &err));
    stop_soon(own, signals[_i]);
    const struct db_value cells[] = {db_int(1), db_text("some text that makes the row longer")};
    bool good = true;
    int64_t until = clock_mono_ms() + 20000;
    while (good && clock_mono_ms() < until)
        for (int k = 0; good && k < 1000; k++)
            good = db_copy_row(there, cells, 2, &err);
    ck_assert(!good);
    ck_assert_msg(err.kind == ERR_UNAVAILABLE, "%s (%s)", err.text, err.sqlstate);
    ck_assert(db_is_broken(there));
    db_rollback(there);
    db_close(there);

    server_stop(own, SIGQUIT);
    server_start_again(own); /* and nothing of it was kept */
    db_close(db);
    db = open_at(server_conninfo(own));
    ck_assert_int_eq(int_of("SELECT count(*) FROM public.t"), 0);
    db_close(db);
    db = NULL;
    server_remove(own);
}
END_TEST

START_TEST(a_stopped_copy_end_is_unavailable)
{
    struct server *own = server_start(NULL);
    struct db *there = open_at(server_conninfo(own));
    ck_assert(db_script(there, "setup", "CREATE TABLE public.t (a bigint)", &err));
    ck_assert(db_copy_begin(there, STATEMENT("COPY public.t FROM STDIN"), &err));
    const struct db_value one = db_int(1);
    ck_assert(db_copy_row(there, &one, 1, &err));
    server_stop(own, SIGINT);
    ck_assert(!db_copy_end(there, NULL, &err));
    ck_assert_msg(err.kind == ERR_UNAVAILABLE, "%s (%s)", err.text, err.sqlstate);
    ck_assert(db_is_broken(there));
    db_rollback(there);
    db_close(there);
    server_remove(own);
}
END_TEST

/* A frozen server takes nothing from its socket: a COPY must not wait for it longer than the deadline. */
START_TEST(a_frozen_server_cannot_hold_a_copy)
{
    script("CREATE TEMP TABLE t (a bigint, b text)");
    pid_t backend = (pid_t)int_of("SELECT pg_backend_pid()");
    ck_assert(db_copy_begin(db, STATEMENT("COPY t FROM STDIN"), &err));
    kill(backend, SIGSTOP);
    db_set_deadline(db, 500);
    int64_t before = clock_mono_ms();
    ck_assert(!copy_numbers(1000000));
    int64_t took = clock_mono_ms() - before;
    kill(backend, SIGCONT);
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    ck_assert(db_is_broken(db));
    ck_assert_msg(took < 10000, "took %d ms", (int)took);
    db_rollback(db);
}
END_TEST

START_TEST(no_server_is_unavailable_with_a_hint)
{
    struct db *none;
    ck_assert(!db_open(&none, "host=/nowhere user=x dbname=y password=geheim", "test", &err));
    ck_assert_ptr_null(none);
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    ck_assert_msg(strstr(err.text, "/nowhere") && !strstr(err.text, "geheim"), "%s", err.text);
    ck_assert(err.hint[0] && !strchr(err.text, '\n'));
    err_clear(&err);
    ck_assert(!db_open(&none, "host=127.0.0.1 port=1 user=x dbname=y", "test", &err));
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
}
END_TEST

/* A listener that never answers: what is behind a dead route looks the same to the client. */
START_TEST(a_silent_host_is_given_up_at_connect_timeout)
{
    struct server *own = server_start(&(struct server_options){.loopback = true});
    char conninfo[300];
    snprintf(conninfo, sizeof conninfo, "%s connect_timeout=1", server_loopback_conninfo(own));
    db_close(open_at(conninfo)); /* it does answer */
    pid_t postmaster = server_pid(own);
    kill(postmaster, SIGSTOP);
    int64_t before = clock_mono_ms();
    struct db *none;
    bool opened = db_open(&none, conninfo, "test", &err);
    int64_t took = clock_mono_ms() - before;
    kill(postmaster, SIGCONT);
    ck_assert(!opened);
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    ck_assert_msg(took >= 900 && took < 10000, "took %d ms", (int)took);
    server_remove(own);
}
END_TEST

static Suite *suite(void)
{
    Suite *s = suite_create("outage");
    TCase *t = tcase_create("outage");
    tcase_set_timeout(t, 120);
    tcase_add_unchecked_fixture(t, start_server, NULL);
    tcase_add_checked_fixture(t, open_session, close_session);
    tcase_add_test(t, a_call_ends_at_its_deadline);
    tcase_add_test(t, without_a_deadline_a_call_may_take_its_time);
    tcase_add_loop_test(t, a_server_that_stops_in_a_query_is_unavailable, 0, 2);
    tcase_add_loop_test(t, a_server_that_stops_in_a_copy_is_unavailable, 0, 2);
    tcase_add_test(t, a_stopped_copy_end_is_unavailable);
    tcase_add_test(t, a_frozen_server_cannot_hold_a_copy);
    tcase_add_test(t, no_server_is_unavailable_with_a_hint);
    tcase_add_test(t, a_silent_host_is_given_up_at_connect_timeout);
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
