#include "base/text.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct {
    const char *text;
    bool good;
    int64_t value;
} integers[] = {
    {"0", true, 0},
    {"-1", true, -1},
    {"+5", true, 5},
    {"007", true, 7},
    {"9223372036854775807", true, INT64_MAX},
    {"-9223372036854775808", true, INT64_MIN},
    {"9223372036854775808", false, 0},
    {"-9223372036854775809", false, 0},
    {"", false, 0},
    {" 1", false, 0},
    {"1 ", false, 0},
    {"1.0", false, 0},
    {"0x10", false, 0},
    {"-", false, 0},
    {"1e3", false, 0},
    {".5", false, 0},
};

START_TEST(whole_numbers_are_read_whole_or_not_at_all)
{
    int64_t value;
    bool good = text_int64(integers[_i].text, &value);
    ck_assert_msg(good == integers[_i].good, "'%s'", integers[_i].text);
    if (good)
        ck_assert_msg(value == integers[_i].value, "'%s'", integers[_i].text);
}
END_TEST

START_TEST(unsigned_numbers_have_no_sign)
{
    uint64_t value;
    ck_assert(text_uint64("18446744073709551615", &value));
    ck_assert(value == UINT64_MAX);
    ck_assert(!text_uint64("18446744073709551616", &value));
    ck_assert(!text_uint64("-1", &value));
    ck_assert(!text_uint64("+1", &value));
    ck_assert(!text_uint64("", &value));
    ck_assert(!text_uint64("1x", &value));
}
END_TEST

static const struct {
    const char *text;
    bool good;
    double value;
} reals[] = {
    {"0", true, 0},       {"-1.5", true, -1.5}, {".5", true, 0.5},   {"5.", true, 5},   {"1e3", true, 1000},
    {"1E-2", true, 0.01}, {"+2.5", true, 2.5},  {"1e999", false, 0}, {"INF", false, 0}, {"nan", false, 0},
    {"-inf", false, 0},   {"0x1p3", false, 0},  {"1,5", false, 0},   {"", false, 0},    {".", false, 0},
    {"1 ", false, 0},     {" 1", false, 0},     {"1e", false, 0},    {"--1", false, 0}, {"1.2.3", false, 0},
};

START_TEST(decimal_numbers_are_finite_and_plain)
{
    double value;
    bool good = text_double(reals[_i].text, &value);
    ck_assert_msg(good == reals[_i].good, "'%s'", reals[_i].text);
    if (good)
        ck_assert_msg(value == reals[_i].value, "'%s'", reals[_i].text);
}
END_TEST

static const struct {
    const char *text;
    bool good;
    int32_t value;
} thousandths[] = {
    {"0", true, 0},
    {"-0", true, 0},
    {"2400", true, 2400000},
    {"1234.5678", true, 1234568},
    {"-1234.5678", true, -1234568},
    {"1.0005", true, 1001}, /* as a double it lies below the half */
    {"-1.0005", true, -1001},
    {"1.00049999999999999999", true, 1000},
    {"0.0004", true, 0},
    {"0.0005", true, 1},
    {".9995", true, 1000},
    {"0.00009e1", true, 1},
    {"24e2", true, 2400000},
    {"2.4E3", true, 2400000},
    {"24000e-1", true, 2400000},
    {"5e-4", true, 1},
    {"4e-4", true, 0},
    {"9e-5", true, 0},
    {"1e-400", true, 0},
    {"0e999999999", true, 0},
    {"2147483.647", true, INT32_MAX},
    {"-2147483.647", true, -INT32_MAX},
    {"2147483.6474", true, INT32_MAX},
    {"2147483.6475", false, 0},
    {"-2147483.648", false, 0},
    {"2147484", false, 0},
    {"1e30", false, 0},
    {"99999999999999999999999999", false, 0},
    {"1e400", false, 0},
    {"UNAVAILABLE", false, 0},
    {"", false, 0},
    {"0x10", false, 0},
};

START_TEST(thousandths_are_exact_and_rounded_half_away_from_zero)
{
    int32_t value = 77;
    bool good = text_milli(thousandths[_i].text, &value);
    ck_assert_msg(good == thousandths[_i].good, "'%s'", thousandths[_i].text);
    if (good)
        ck_assert_msg(value == thousandths[_i].value, "'%s' gives %d", thousandths[_i].text, value);
}
END_TEST

START_TEST(every_thousandth_of_a_wide_range_comes_back)
{
    for (int32_t v = -3000000; v <= 3000000; v += 7) {
        char text[32];
        int32_t back;
        snprintf(text, sizeof text, "%s%d.%03d", v < 0 ? "-" : "", abs(v) / 1000, abs(v) % 1000);
        if (!text_milli(text, &back) || back != v)
            ck_abort_msg("%s gives %d", text, back);
    }
}
END_TEST

START_TEST(yes_and_no_are_the_only_answers)
{
    bool value;
    ck_assert(text_yes_no("yes", &value) && value);
    ck_assert(text_yes_no("no", &value) && !value);
    ck_assert(!text_yes_no("Yes", &value));
    ck_assert(!text_yes_no("", &value));
    ck_assert(!text_yes_no("true", &value));
}
END_TEST

/* Ill-formed sequences of the Unicode Standard, section 3.9, table 3-7. */
static const struct {
    const char *text;
    size_t bytes;
    bool clean;
} utf8[] = {
    {"plain", 5, true},
    {"", 0, true},
    {"tab\tand\nline", 12, true},
    {"\xc3\xa4 \xe2\x82\xac \xf0\x9f\x9c\x82", 11, true},
    {"nul\0inside", 10, false},
    {"\x1b[31m", 5, false},
    {"cr\r", 3, false},
    {"\x7f", 1, false},
    {"\xc0\x80", 2, false},
    {"\xe0\x80\x80", 3, false},
    {"\xed\xa0\x80", 3, false},
    {"\xf4\x90\x80\x80", 4, false},
    {"\xf5\x80\x80\x80", 4, false},
    {"\x80", 1, false},
    {"\xc3", 1, false},
    {"\xe2\x82", 2, false},
    {"\xc3\xa4", 1, false},
};

START_TEST(text_is_well_formed_and_without_controls)
{
    ck_assert_msg(text_is_clean(utf8[_i].text, utf8[_i].bytes) == utf8[_i].clean, "case %d", _i);
}
END_TEST

START_TEST(blanks_at_both_ends_go)
{
    char both[] = " \t a b \r\n", none[] = "ab", only[] = "  \n ", empty[] = "";
    ck_assert_str_eq(text_trim(both), "a b");
    ck_assert_str_eq(text_trim(none), "ab");
    ck_assert_str_eq(text_trim(only), "");
    ck_assert_str_eq(text_trim(empty), "");
}
END_TEST

START_TEST(cutting_leaves_whole_characters)
{
    static const char *const cuts[] = {
        "", "a", "a", "a\xc3\xa4", "a\xc3\xa4", "a\xc3\xa4", "a\xc3\xa4\xe2\x82\xac"};
    for (size_t n = 0; n < sizeof cuts / sizeof *cuts; n++) {
        char text[] = "a\xc3\xa4\xe2\x82\xac";
        text_cut(text, n);
        ck_assert_str_eq(text, cuts[n]);
    }
}
END_TEST

#define LOOP(t, test, table) tcase_add_loop_test(t, test, 0, sizeof table / sizeof *table)

static Suite *suite(void)
{
    Suite *s = suite_create("text");
    TCase *t = tcase_create("text");
    LOOP(t, whole_numbers_are_read_whole_or_not_at_all, integers);
    tcase_add_test(t, unsigned_numbers_have_no_sign);
    LOOP(t, decimal_numbers_are_finite_and_plain, reals);
    LOOP(t, thousandths_are_exact_and_rounded_half_away_from_zero, thousandths);
    tcase_add_test(t, every_thousandth_of_a_wide_range_comes_back);
    tcase_add_test(t, yes_and_no_are_the_only_answers);
    LOOP(t, text_is_well_formed_and_without_controls, utf8);
    tcase_add_test(t, blanks_at_both_ends_go);
    tcase_add_test(t, cutting_leaves_whole_characters);
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
