#include "base/err.h"

#include <check.h>

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

START_TEST(the_first_error_wins)
{
    struct err err = {0};
    ck_assert(!err_set(&err, ERR_INPUT, "cannot read '%s'", "a.csv"));
    ck_assert(!err_set(&err, ERR_SYSTEM, "clean-up failed too"));
    ck_assert_int_eq(err.kind, ERR_INPUT);
    ck_assert_str_eq(err.text, "cannot read 'a.csv'");
    ck_assert(!err_hint(&err, "first"));
    ck_assert(!err_hint(&err, "second"));
    ck_assert_str_eq(err.hint, "first");
}
END_TEST

START_TEST(callers_put_the_place_before)
{
    struct err err = {0};
    err_set(&err, ERR_INPUT, "no such drive");
    ck_assert(!err_in(&err, "row %d", 7));
    ck_assert(!err_in(&err, "fans.csv"));
    ck_assert_str_eq(err.text, "fans.csv: row 7: no such drive");
    ck_assert_int_eq(err.kind, ERR_INPUT);
}
END_TEST

START_TEST(a_cleared_error_can_be_set_again)
{
    struct err err = {0};
    err_set(&err, ERR_INPUT, "one");
    err_hint(&err, "do this");
    err_clear(&err);
    ck_assert_int_eq(err.kind, ERR_NONE);
    ck_assert_str_eq(err.hint, "");
    err_set(&err, ERR_SYSTEM, "two");
    ck_assert_str_eq(err.text, "two");
}
END_TEST

START_TEST(long_texts_are_cut_and_stay_terminated)
{
    struct err err = {0};
    char text[5000];
    memset(text, 'x', sizeof text - 1);
    text[sizeof text - 1] = '\0';
    err_set(&err, ERR_INPUT, "%s", text);
    ck_assert_uint_eq(strlen(err.text), sizeof err.text - 1);
    for (int k = 0; k < 30; k++)
        err_in(&err, "place %d", k);
    ck_assert_uint_eq(strlen(err.text), sizeof err.text - 1);
    ck_assert_msg(strncmp(err.text, "place 29: place 28: ", 20) == 0, "%.40s", err.text);
    err_hint(&err, "%s", text);
    ck_assert_uint_eq(strlen(err.hint), sizeof err.hint - 1);
}
END_TEST

/* The numbers of sysexits(3). */
static const struct {
    enum err_kind kind;
    int status;
} statuses[] = {
    {ERR_NONE, 0},      {ERR_USAGE, 64},  {ERR_INPUT, 65},  {ERR_UNAVAILABLE, 69},
    {ERR_REJECTED, 69}, {ERR_CONFIG, 78}, {ERR_OUTPUT, 73}, {ERR_SYSTEM, 71},
};

START_TEST(a_kind_decides_the_exit_status)
{
    ck_assert_int_eq(err_exit_status(statuses[_i].kind), statuses[_i].status);
}
END_TEST

static void printed(const struct err *err, char *out, size_t size)
{
    FILE *file = tmpfile();
    ck_assert_ptr_nonnull(file);
    int own = dup(STDERR_FILENO);
    dup2(fileno(file), STDERR_FILENO);
    err_print("prog", err);
    fflush(stderr);
    dup2(own, STDERR_FILENO);
    close(own);
    rewind(file);
    size_t n = fread(out, 1, size - 1, file);
    out[n] = '\0';
    fclose(file);
}

START_TEST(it_prints_the_text_and_the_hint_if_there_is_one)
{
    struct err err = {0};
    char out[500];
    err_set(&err, ERR_CONFIG, "the database is not prepared");
    printed(&err, out, sizeof out);
    ck_assert_str_eq(out, "prog: the database is not prepared\n");
    err_hint(&err, "prepare it");
    printed(&err, out, sizeof out);
    ck_assert_str_eq(out, "prog: the database is not prepared\nhint: prepare it\n");
}
END_TEST

START_TEST(a_wrong_program_aborts)
{
    BUG("%d is impossible", 3);
}
END_TEST

static Suite *suite(void)
{
    Suite *s = suite_create("err");
    TCase *t = tcase_create("err");
    tcase_add_test(t, the_first_error_wins);
    tcase_add_test(t, callers_put_the_place_before);
    tcase_add_test(t, a_cleared_error_can_be_set_again);
    tcase_add_test(t, long_texts_are_cut_and_stay_terminated);
    tcase_add_loop_test(t, a_kind_decides_the_exit_status, 0, sizeof statuses / sizeof *statuses);
    tcase_add_test(t, it_prints_the_text_and_the_hint_if_there_is_one);
    tcase_add_test_raise_signal(t, a_wrong_program_aborts, SIGABRT);
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
