#include "base/opts.h"

#include "base/clock.h"
#include "base/nearest.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { OUTPUT_BYTES = 8000, MOST_ARGS = 16 };

static const char *db;
static bool json;
static int64_t horizon = 30, as_of = TIME_UNKNOWN;
static double share = 0.95;
static char used_db[100], ran[500]; /* the arguments of the command that ran, each in brackets */
static enum err_kind outcome;

static const struct opt common[] = {
    {"db", "CONNINFO", "Connection string", OPT_TEXT, &db, 0, 0},
    {"json", NULL, "Print JSON", OPT_FLAG, &json, 0, 0},
    {0},
};

static const struct opt own[] = {
    {"horizon", "DAYS", "How far to look ahead", OPT_INT, &horizon, 1, 3650},
    {"share", "SHARE", "Share to serve", OPT_REAL, &share, 0.5, 0.999},
    {"as-of", "MOMENT", "What was known then", OPT_MOMENT, &as_of, 0, 0},
    {0},
};

static int run(const char *const *args, int count, struct err *err)
{
    snprintf(used_db, sizeof used_db, "%s", db ? db : "");
    snprintf(ran, sizeof ran, "ran");
    for (int k = 0; k < count; k++)
        snprintf(ran + strlen(ran), sizeof ran - strlen(ran), "[%s]", args[k]);
    if (outcome != ERR_NONE)
        err_set(err, outcome, "it went wrong");
    return err_exit_status(outcome);
}

static const struct command commands[] = {
    {"weigh", "SITE ...", "Weigh the sites", "What weighing means.", own, 1, 2, run},
    {"list", "", "List all", NULL, NULL, 0, 0, run},
    {0},
};
static const struct program program = {"test-program", "1.2.3", "Tries options.", common, commands};

static char out[OUTPUT_BYTES], bad[OUTPUT_BYTES]; /* standard output and standard error of the last call */

static int redirect(int fd, int *kept)
{
    char path[] = "/tmp/test_opts_XXXXXX";
    int file = mkstemp(path);
    ck_assert_int_ge(file, 0);
    unlink(path);
    *kept = dup(fd);
    dup2(file, fd);
    return file;
}

static void restore(int fd, int kept, int file, char *text)
{
    dup2(kept, fd);
    close(kept);
    ssize_t n = pread(file, text, OUTPUT_BYTES - 1, 0);
    text[n < 0 ? 0 : n] = '\0';
    close(file);
}

/* Arguments in one text, a blank between them. */
static int call(const char *line)
{
    static char words[1000];
    char *argv[MOST_ARGS] = {(char[]){"test-program"}}, *state;
    int argc = 1, kept_out, kept_bad;
    snprintf(words, sizeof words, "%s", line);
    for (char *w = strtok_r(words, " ", &state); w; w = strtok_r(NULL, " ", &state))
        argv[argc++] = w;
    ran[0] = '\0';
    db = NULL; /* the text of an earlier call is gone */
    fflush(NULL);
    int out_file = redirect(STDOUT_FILENO, &kept_out), bad_file = redirect(STDERR_FILENO, &kept_bad);
    int status = opts_main(&program, argc, argv);
    fflush(NULL);
    restore(STDOUT_FILENO, kept_out, out_file, out);
    restore(STDERR_FILENO, kept_bad, bad_file, bad);
    return status;
}

/* An environment of its own for each test. */
static void clear_environment(void)
{
    unsetenv("VANEWARD_SETTINGS");
    unsetenv("VANEWARD_HORIZON");
    unsetenv("VANEWARD_DB");
}

static const struct {
    const char *line, *ran;
} good[] = {
    {"weigh a", "ran[a]"},
    {"weigh a b", "ran[a][b]"},
    {"weigh --json a --horizon 5 b", "ran[a][b]"},
    {"--db x weigh a", "ran[a]"},
    {"--json weigh a", "ran[a]"},
    {"weigh a -- --b", "ran[a][--b]"},
    {"weigh -", "ran[-]"},
    {"list", "ran"},
    {"list --db=weigh", "ran"},
};

START_TEST(options_stand_before_and_after_arguments)
{
    ck_assert_int_eq(call(good[_i].line), 0);
    ck_assert_str_eq(ran, good[_i].ran);
    ck_assert_str_eq(bad, "");
}
END_TEST

START_TEST(each_type_of_value_reaches_its_target)
{
    ck_assert_int_eq(call("weigh a --db host=x --json --horizon 3650 --share 0.5 --as-of 2026-03-02"), 0);
    ck_assert_str_eq(used_db, "host=x");
    ck_assert(json);
    ck_assert_int_eq(horizon, 3650);
    ck_assert(share == 0.5);
    ck_assert_int_eq(as_of, day_start_us(20514)); /* date -d 2026-03-02 +%s / 86400 */
}
END_TEST

static const struct {
    const char *line, *text;
} refused[] = {
    {"", "test-program: no command is given"},
    {"--json", "test-program: no command is given"},
    {"wiegh a", "there is no command 'wiegh'\nhint: the nearest is 'weigh'"},
    {"help wiegh", "there is no command 'wiegh'\nhint: the nearest is 'weigh'"},
    {"quite-different",
     "there is no command 'quite-different'\nhint: 'test-program --help' lists all commands"},
    {"weigh", "weigh: expects SITE ..."},
    {"weigh a b c", "weigh: 'c' is one argument too many; expects SITE ..."},
    {"list a", "list: 'a' is one argument too many; expects none"},
    {"weigh a --horizon 0", "--horizon: '0' is out of range; allowed: 1 to 3650"},
    {"weigh a --horizon 3651", "--horizon: '3651' is out of range; allowed: 1 to 3650"},
    {"weigh a --horizon 5d", "--horizon: '5d' is not a whole number"},
    {"weigh a --share 1", "--share: '1' is out of range; allowed: 0.5 to 0.999"},
    {"weigh a --share nan", "--share: 'nan' is not a number"},
    {"weigh a --as-of monday", "--as-of: 'monday' is not a moment like 2026-03-02T06:00:00Z or 2026-03-02"},
    {"weigh a --hight 5", "unrecognized option '--hight'"},
    {"list --horizon 5", "unrecognized option '--horizon'"},
    {"weigh a --horizon", "option '--horizon' requires an argument"},
};

START_TEST(wrong_usage_is_64_and_says_what_is_wrong)
{
    ck_assert_int_eq(call(refused[_i].line), 64);
    ck_assert_msg(strstr(bad, refused[_i].text), "'%s' says: %s", refused[_i].line, bad);
    ck_assert_str_eq(ran, "");
    ck_assert_str_eq(out, "");
}
END_TEST

START_TEST(help_tells_usage_options_with_limits_and_defaults_and_details)
{
    static const char *const told[] = {"Usage: test-program weigh [OPTION...] SITE ...",
                                       "Weigh the sites",
                                       "--horizon=DAYS",
                                       "How far to look ahead (1 to 3650; default: 30)",
                                       "Share to serve (0.5 to 0.999; default: 0.95)",
                                       "--db=CONNINFO",
                                       "--settings=FILE",
                                       "--version",
                                       "What weighing means.",
                                       "VANEWARD_SETTINGS"};
    ck_assert_int_eq(call("weigh --help"), 0);
    for (size_t k = 0; k < sizeof told / sizeof *told; k++)
        ck_assert_msg(strstr(out, told[k]), "'%s' is missing in\n%s", told[k], out);
    ck_assert_str_eq(ran, "");
    char first[OUTPUT_BYTES];
    snprintf(first, sizeof first, "%s", out);
    ck_assert_int_eq(call("help weigh"), 0);
    ck_assert_str_eq(out, first);
}
END_TEST

START_TEST(help_of_the_program_lists_its_commands)
{
    ck_assert_int_eq(call("--help"), 0);
    ck_assert_msg(strstr(out, "\n  weigh  Weigh the sites\n  list   List all\n"), "%s", out);
    ck_assert_int_eq(call("help"), 0);
    ck_assert_msg(strstr(out, "\n  weigh  Weigh the sites\n"), "%s", out);
}
END_TEST

START_TEST(the_version_is_told_with_and_without_a_command)
{
    ck_assert_int_eq(call("--version"), 0);
    ck_assert_str_eq(out, "test-program 1.2.3\n");
    ck_assert_int_eq(call("list --version"), 0);
    ck_assert_str_eq(out, "test-program 1.2.3\n");
}
END_TEST

static char settings_path[] = "/tmp/test_opts_ini_XXXXXX";

static void settings_file(const char *text)
{
    memcpy(settings_path + strlen(settings_path) - 6, "XXXXXX", 6);
    int fd = mkstemp(settings_path);
    ck_assert(fd >= 0 && write(fd, text, strlen(text)) == (ssize_t)strlen(text));
    close(fd);
    setenv("VANEWARD_SETTINGS", settings_path, 1);
}

START_TEST(the_command_line_wins_over_the_environment_over_the_file_over_the_default)
{
    ck_assert_int_eq(call("weigh a"), 0);
    ck_assert_int_eq(horizon, 30);
    settings_file("; shared by both programs\n[vaneward]\nhorizon = 40\nas_of = 2026-01-01\njson = yes\n"
                  "of_another_program = 5\ndb = host=file\n");
    ck_assert_int_eq(call("weigh a"), 0);
    ck_assert_int_eq(horizon, 40);
    ck_assert(json);
    ck_assert_str_eq(used_db, "host=file");
    ck_assert_int_eq(as_of, day_start_us(20454)); /* date -d 2026-01-01 +%s / 86400 */
    setenv("VANEWARD_HORIZON", "50", 1);
    ck_assert_int_eq(call("weigh a"), 0);
    ck_assert_int_eq(horizon, 50);
    ck_assert_int_eq(call("weigh a --horizon 60"), 0);
    ck_assert_int_eq(horizon, 60);
    setenv("VANEWARD_HORIZON", "", 1);
    ck_assert_int_eq(call("weigh a"), 0);
    ck_assert_int_eq(horizon, 40);
    unlink(settings_path);
}
END_TEST

static const struct {
    const char *file, *text; /* text after the path */
} files[] = {
    {"[vaneward]\ndb = x\nhorizon = 0\n", ":3: horizon: '0' is out of range; allowed: 1 to 3650"},
    {"[vaneward]\n\njson = maybe\n", ":3: json: 'maybe' is neither yes nor no"},
    {"[other]\nhorizon = 5\n", ":2: 'horizon' does not stand in section [vaneward]"},
    {"horizon = 5\n", ":1: 'horizon' does not stand in section [vaneward]"},
    {"[vaneward]\nhorizon\n", ":2: neither [section] nor name = value"},
};

START_TEST(a_wrong_setting_is_78_and_names_file_and_line)
{
    settings_file(files[_i].file);
    ck_assert_int_eq(call("weigh a"), 78);
    unlink(settings_path);
    char expected[300];
    snprintf(expected, sizeof expected, "test-program: %s%s\n", settings_path, files[_i].text);
    ck_assert_str_eq(bad, expected);
    ck_assert_str_eq(ran, "");
}
END_TEST

START_TEST(a_line_too_long_for_a_settings_file_is_refused)
{
    char text[400] = "[vaneward]\ndb = ";
    memset(text + strlen(text), 'x', 300);
    settings_file(text);
    ck_assert_int_eq(call("weigh a"), 78);
    unlink(settings_path);
    ck_assert_msg(strstr(bad, ":2: the line is longer than"), "%s", bad);
}
END_TEST

START_TEST(a_slip_in_the_settings_file_gets_a_notice)
{
    settings_file("[vaneward]\nhorizont = 5\n");
    ck_assert_int_eq(call("weigh a"), 0);
    unlink(settings_path);
    ck_assert_int_eq(horizon, 30);
    ck_assert_msg(strstr(bad, ":2: 'horizont' is not an option of this command; the nearest is 'horizon'"),
                  "%s", bad);
}
END_TEST

START_TEST(a_wrong_environment_is_78_and_names_the_variable)
{
    setenv("VANEWARD_HORIZON", "soon", 1);
    ck_assert_int_eq(call("weigh a"), 78);
    ck_assert_str_eq(bad, "test-program: VANEWARD_HORIZON: 'soon' is not a whole number\n");
}
END_TEST

START_TEST(a_settings_file_that_was_asked_for_must_be_there)
{
    ck_assert_int_eq(call("weigh a --settings /nowhere/x.ini"), 78);
    ck_assert_str_eq(bad,
                     "test-program: cannot open settings file '/nowhere/x.ini': No such file or directory\n");
}
END_TEST

START_TEST(the_error_of_a_command_is_printed_and_gives_the_status)
{
    outcome = ERR_UNAVAILABLE;
    ck_assert_int_eq(call("list"), 69);
    ck_assert_str_eq(bad, "test-program: it went wrong\n");
}
END_TEST

static const struct {
    const char *word, *nearest;
} slips[] = {
    {"machine", "machine"},
    {"mahcine", "machine"},
    {"Machine", "machine"},
    {"machines", "machine"},
    {"mach", NULL},
    {"m", NULL},
    {"", NULL},
    {"site", "site"},
    {"sit", "site"},
    {"kite", "site"},
    {"drve", "drive"},
    {"quite other", NULL},
};

START_TEST(the_nearest_word_is_found_or_none)
{
    static const char *const words[] = {"machine", "site", "drive", NULL};
    const char *near = nearest_of(slips[_i].word, words);
    ck_assert_msg(near == slips[_i].nearest ||
                      (near && slips[_i].nearest && !strcmp(near, slips[_i].nearest)),
                  "'%s' is near '%s'", slips[_i].word, near ? near : "none");
}
END_TEST

#define COUNT(a) ((int)(sizeof(a) / sizeof *(a)))

int main(void)
{
    Suite *s = suite_create("opts");
    TCase *t = tcase_create("opts");
    tcase_add_checked_fixture(t, clear_environment, NULL);
    tcase_add_loop_test(t, options_stand_before_and_after_arguments, 0, COUNT(good));
    tcase_add_test(t, each_type_of_value_reaches_its_target);
    tcase_add_loop_test(t, wrong_usage_is_64_and_says_what_is_wrong, 0, COUNT(refused));
    tcase_add_test(t, help_tells_usage_options_with_limits_and_defaults_and_details);
    tcase_add_test(t, help_of_the_program_lists_its_commands);
    tcase_add_test(t, the_version_is_told_with_and_without_a_command);
    tcase_add_test(t, the_command_line_wins_over_the_environment_over_the_file_over_the_default);
    tcase_add_loop_test(t, a_wrong_setting_is_78_and_names_file_and_line, 0, COUNT(files));
    tcase_add_test(t, a_line_too_long_for_a_settings_file_is_refused);
    tcase_add_test(t, a_slip_in_the_settings_file_gets_a_notice);
    tcase_add_test(t, a_wrong_environment_is_78_and_names_the_variable);
    tcase_add_test(t, a_settings_file_that_was_asked_for_must_be_there);
    tcase_add_test(t, the_error_of_a_command_is_printed_and_gives_the_status);
    tcase_add_loop_test(t, the_nearest_word_is_found_or_none, 0, COUNT(slips));
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
