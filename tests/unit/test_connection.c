#include "connection.h"

#include "base/clock.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static FILE *log_file;

static void begin(void)
{
    /* A folder without a socket: refused at once, as by a server that is not there. */
    setenv("PGHOST", "/nowhere", 1);
    log_file = tmpfile();
    ck_assert_ptr_nonnull(log_file);
    ck_assert_int_ge(dup2(fileno(log_file), STDERR_FILENO), 0);
}

static void end(void)
{
    fclose(log_file);
}

static int times_logged(const char *event)
{
    char line[4096];
    int times = 0;
    rewind(log_file);
    while (fgets(line, sizeof line, log_file))
        times += strstr(line, event) != NULL;
    return times;
}

static struct connection lost(void)
{
    struct connection c = {0};
    struct err why = {0};
    err_set(&why, ERR_UNAVAILABLE, "cut off");
    connection_lost(&c, &why);
    return c;
}

/* Now, whenever it would be due. */
static void retry(struct connection *c)
{
    struct err why = {0};
    c->retry_due_ms = 0;
    ck_assert(!connection_retry(c, &why));
    ck_assert_msg(why.kind == ERR_UNAVAILABLE, "%s", why.text);
}

START_TEST(that_it_is_still_away_is_told_once_a_minute)
{
    struct connection c = lost();
    retry(&c);
    ck_assert_int_eq(times_logged("database.away"), 1);
    ck_assert_int_eq(times_logged("database.still_away"), 0);
    for (int minutes = 1; minutes <= 3; minutes++) {
        c.tell_due_ms -= 60 * 1000;
        c.away_since_ms -= 60 * 1000;
        retry(&c);
        retry(&c);
        ck_assert_int_eq(times_logged("database.still_away"), minutes);
    }
    ck_assert_int_eq(times_logged("for_s=180 "), 1);
    ck_assert_int_eq(times_logged("database.away"), 1);
}
END_TEST

START_TEST(it_is_tried_less_and_less_often_and_never_before_it_is_due)
{
    struct connection c = lost();
    struct err why = {0};
    ck_assert(!connection_retry(&c, &why));
    ck_assert_int_eq(why.kind, ERR_NONE);
    int64_t waits[6];
    for (int k = 0; k < 6; k++) {
        waits[k] = c.retry_wait_ms;
        retry(&c);
        ck_assert_int_le(c.retry_due_ms, clock_mono_ms() + c.retry_wait_ms);
    }
    ck_assert_int_eq(waits[0], 500);
    ck_assert_int_eq(waits[1], 1000);
    ck_assert_int_eq(waits[5], 5000);
}
END_TEST

int main(void)
{
    TCase *tcase = tcase_create("connection");
    tcase_add_checked_fixture(tcase, begin, end);
    tcase_add_test(tcase, that_it_is_still_away_is_told_once_a_minute);
    tcase_add_test(tcase, it_is_tried_less_and_less_often_and_never_before_it_is_due);
    Suite *suite = suite_create("connection");
    suite_add_tcase(suite, tcase);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
