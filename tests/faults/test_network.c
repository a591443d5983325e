#include "server.h"

#include "base/clock.h"
#include "db.h"

#include <check.h>

#include <net/if.h>
#include <sched.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

/* A network of this process's own, whose loopback loses every packet of the database when asked to. */

enum { SKIPPED = 77, LONGEST_MS = 10000 };

extern char **environ;

static struct server *server;
static struct db *db;
static struct err err;

static bool loopback_up(void)
{
    struct ifreq request = {.ifr_name = "lo", .ifr_flags = IFF_UP | IFF_RUNNING};
    int fd = socket(AF_INET, SOCK_DGRAM, 0);
    bool up = fd >= 0 && ioctl(fd, SIOCSIFFLAGS, &request) == 0;
    if (fd >= 0)
        close(fd);
    return up;
}

static int run(const char *const *args)
{
    char *argv[16] = {0};
    pid_t child;
    int status;
    for (size_t k = 0; args[k]; k++)
        argv[k] = strdup(args[k]);
    int failed = posix_spawnp(&child, argv[0], NULL, NULL, argv, environ);
    for (size_t k = 0; argv[k]; k++)
        free(argv[k]);
    return failed || waitpid(child, &status, 0) != child ? -1 : status;
}

/* A cable that is cut: nothing comes through and nothing says so. */
static int cut(const char *port)
{
    const char *const to[] = {"iptables", "-A", "INPUT", "-p", "tcp", "--dport", port, "-j", "DROP", NULL};
    const char *const from[] = {"iptables", "-A", "INPUT", "-p", "tcp", "--sport", port, "-j", "DROP", NULL};
    return run(to) == 0 && run(from) == 0 ? 0 : -1;
}

static void cut_database(void)
{
    char port[16];
    snprintf(port, sizeof port, "%d", server_port(server));
    ck_assert_int_eq(cut(port), 0);
}

static void start_server(void)
{
    server = server_start(&(struct server_options){.loopback = true});
}

static void open_session(void)
{
    ck_assert_msg(db_open(&db, server_loopback_conninfo(server), "test", &err), "%s", err.text);
}

static void close_session(void)
{
    const char *const flush[] = {"iptables", "-F", "INPUT", NULL};
    ck_assert_int_eq(run(flush), 0);
    db_close(db);
}

static void ended_in_time(int64_t began_ms)
{
    int64_t took = clock_mono_ms() - began_ms;
    ck_assert_int_eq(err.kind, ERR_UNAVAILABLE);
    ck_assert_msg(took < LONGEST_MS, "took %d ms: %s", (int)took, err.text);
    printf("ended after %d ms: %s\n", (int)took, err.text);
}

static bool exec(const char *text)
{
    const struct query q = {"network", text, 0};
    return db_exec(db, &q, NULL, 0, NULL, &err);
}

START_TEST(a_cut_while_waiting_is_noticed)
{
    db_set_deadline(db, 0);
    pid_t child = fork();
    if (child == 0) {
        usleep(500000);
        cut_database();
        _exit(0);
    }
    int64_t began_ms = clock_mono_ms();
    ck_assert(!exec("SELECT pg_sleep(60)"));
    waitpid(child, NULL, 0);
    ended_in_time(began_ms + 500);
}
END_TEST

START_TEST(a_cut_while_sending_is_noticed)
{
    const struct query copy = {"copy", "COPY t FROM STDIN", 0};
    ck_assert(db_script(db, "setup", "CREATE TEMP TABLE t (a text)", &err));
    ck_assert(db_copy_begin(db, &copy, &err));
    db_set_deadline(db, 0);
    cut_database();
    const struct db_value cell = db_text("some text that makes the row longer");
    int64_t began_ms = clock_mono_ms();
    bool good = true;
    for (int k = 0; good && k < 2000000; k++)
        good = db_copy_row(db, &cell, 1, &err);
    ck_assert(!good);
    ended_in_time(began_ms);
}
END_TEST

START_TEST(a_cut_while_connecting_is_noticed)
{
    struct db *none;
    cut_database();
    int64_t began_ms = clock_mono_ms();
    ck_assert(!db_open(&none, server_loopback_conninfo(server), "test", &err));
    ended_in_time(began_ms);
}
END_TEST

/* The first of two hosts is behind the cut; the second is reached. */
START_TEST(a_silent_host_does_not_hide_the_next)
{
    struct db *second;
    char hosts[500];
    const char *socket = strstr(server_conninfo(server), "host=") + 5;
    snprintf(hosts, sizeof hosts,
             "host=127.0.0.1,%.*s port=%d user=vaneward dbname=postgres connect_timeout=2",
             (int)strcspn(socket, " "), socket, server_port(server));
    cut_database();
    ck_assert_msg(db_open(&second, hosts, "test", &err), "%s", err.text);
    db_close(second);
}
END_TEST

int main(void)
{
    const char *const accept_all[] = {"iptables", "-P", "INPUT", "ACCEPT", NULL};
    if (geteuid() != 0 || unshare(CLONE_NEWNET) != 0 || !loopback_up() || run(accept_all) != 0) {
        puts("skipped: a network of one's own needs root and iptables");
        return SKIPPED;
    }
    Suite *suite = suite_create("network");
    TCase *tc = tcase_create("cut");
    tcase_set_timeout(tc, 60);
    tcase_add_unchecked_fixture(tc, start_server, NULL);
    tcase_add_checked_fixture(tc, open_session, close_session);
    tcase_add_test(tc, a_cut_while_waiting_is_noticed);
    tcase_add_test(tc, a_cut_while_sending_is_noticed);
    tcase_add_test(tc, a_cut_while_connecting_is_noticed);
    tcase_add_test(tc, a_silent_host_does_not_hide_the_next);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
