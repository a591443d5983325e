#include "notify.h"

#include <check.h>

#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

static char folder[] = "/tmp/test_notify_XXXXXX";

/* A socket as a service manager offers it; name as in NOTIFY_SOCKET. */
static int listen_at(const char *name)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    memcpy(address.sun_path, name, strlen(name));
    if (name[0] == '@')
        address.sun_path[0] = '\0';
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK, 0);
    ck_assert_int_eq(bind(fd, (struct sockaddr *)&address,
                          (socklen_t)(offsetof(struct sockaddr_un, sun_path) + strlen(name))),
                     0);
    ck_assert_int_eq(setenv("NOTIFY_SOCKET", name, 1), 0);
    return fd;
}

/* The next message; "" when there is none. */
static const char *heard(int fd)
{
    static char text[2000];
    ssize_t n = recv(fd, text, sizeof text - 1, 0);
    text[n > 0 ? n : 0] = '\0';
    return text;
}

START_TEST(a_message_reaches_a_path_and_an_abstract_address)
{
    char path[100], abstract[100];
    ck_assert_ptr_nonnull(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/socket", folder);
    snprintf(abstract, sizeof abstract, "@vaneward-test-%ld", (long)getpid());
    const char *const names[] = {path, abstract};
    for (int k = 0; k < 2; k++) {
        struct notify n;
        int fd = listen_at(names[k]);
        notify_open(&n);
        notify_tell(&n, "READY=1\nSTATUS=%d sources", 3);
        ck_assert_str_eq(heard(fd), "READY=1\nSTATUS=3 sources");
        notify_close(&n);
        close(fd);
    }
    unlink(path);
    rmdir(folder);
}
END_TEST

START_TEST(whom_we_start_inherits_no_address)
{
    struct notify n;
    setenv("NOTIFY_SOCKET", "/nowhere/socket", 1);
    setenv("WATCHDOG_USEC", "1000000", 1);
    notify_open(&n);
    ck_assert_int_eq(n.fd, -1);
    ck_assert_ptr_null(getenv("NOTIFY_SOCKET"));
    ck_assert_ptr_null(getenv("WATCHDOG_USEC"));
    notify_tell(&n, "READY=1"); /* nobody listens: nothing happens */
}
END_TEST

START_TEST(an_address_that_is_none_is_left_alone)
{
    char too_long[300];
    memset(too_long, 'x', sizeof too_long - 1);
    too_long[0] = '/';
    too_long[sizeof too_long - 1] = '\0';
    const char *const names[] = {"", "@", "/", "relative", "vsock:2:1234", too_long};
    for (size_t k = 0; k < sizeof names / sizeof *names; k++) {
        struct notify n;
        setenv("NOTIFY_SOCKET", names[k], 1);
        notify_open(&n);
        ck_assert_int_eq(n.fd, -1);
    }
}
END_TEST

START_TEST(the_watchdog_hears_us_twice_in_half_a_period_and_not_more_often)
{
    struct notify n;
    char name[100];
    snprintf(name, sizeof name, "@vaneward-dog-%ld", (long)getpid());
    int fd = listen_at(name);
    setenv("WATCHDOG_USEC", "4000000", 1);
    notify_open(&n);
    int beats = 0;
    for (int64_t now_ms = 5000; now_ms < 15000; now_ms += 10) {
        notify_alive(&n, now_ms);
        const char *text = heard(fd);
        beats += strcmp(text, "WATCHDOG=1") == 0;
    }
    ck_assert_int_eq(beats, 10);
    notify_close(&n);
    close(fd);
}
END_TEST

START_TEST(a_watchdog_for_another_process_or_without_sense_is_none)
{
    static const struct {
        const char *period, *pid;
    } none[] = {{"2000000", "1"}, {"0", NULL}, {"soon", NULL}, {"-5", NULL}, {"2000000", "me"}};
    for (size_t k = 0; k < sizeof none / sizeof *none; k++) {
        struct notify n;
        setenv("WATCHDOG_USEC", none[k].period, 1);
        if (none[k].pid)
            setenv("WATCHDOG_PID", none[k].pid, 1);
        notify_open(&n);
        ck_assert_int_eq(n.watchdog_ms, 0);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("notify");
    TCase *all = tcase_create("all");
    suite_add_tcase(suite, all);
    tcase_add_test(all, a_message_reaches_a_path_and_an_abstract_address);
    tcase_add_test(all, whom_we_start_inherits_no_address);
    tcase_add_test(all, an_address_that_is_none_is_left_alone);
    tcase_add_test(all, the_watchdog_hears_us_twice_in_half_a_period_and_not_more_often);
    tcase_add_test(all, a_watchdog_for_another_process_or_without_sense_is_none);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
