#include "base/clock.h"

#include <check.h>

#include <stdlib.h>
#include <string.h>
#include <time.h>

/* Seconds as `date -u -d TEXT +%s` of GNU coreutils 9.1 gives them. */
static const struct {
    const char *text;
    int64_t us;
    bool no_zone;
} moments[] = {
    {"1970-01-01T00:00:00Z", 0, false},
    {"2026-11-25T16:20:00Z", 1795623600 * US_PER_S, false},
    {"2026-11-25t16:20:00z", 1795623600 * US_PER_S, false},
    {"2026-11-25 16:20:00", 1795623600 * US_PER_S, true},
    {"2026-11-25T16:20:00+05:45", 1795602900 * US_PER_S, false},
    {"2026-11-25T16:20:00+0545", 1795602900 * US_PER_S, false},
    {"2026-11-25T16:20:00-01", 1795627200 * US_PER_S, false},
    {"2026-11-25T16:20:00.5Z", 1795623600 * US_PER_S + 500000, false},
    {"2026-11-25T16:20:00.123456Z", 1795623600 * US_PER_S + 123456, false},
    {"2026-11-25T16:20:00.1234569999999999999999Z", 1795623600 * US_PER_S + 123456, false},
    {"2026-11-25T16:20:00.000001", 1795623600 * US_PER_S + 1, true},
    {"2026-11-25", 20782 * US_PER_DAY, true},
    {"1969-12-31T23:59:59.999999Z", -1, false},
    {"2016-12-31T23:59:60Z", 1483228800 * US_PER_S, false},
    {"2016-12-31T23:59:60.5Z", 1483228800 * US_PER_S + 500000, false},
    {"0001-01-01T00:00:00Z", INT64_C(-62135596800) * US_PER_S, false},
    {"9999-12-31T23:59:59Z", INT64_C(253402300799) * US_PER_S, false},
    {"1600-02-29T00:00:00Z", INT64_C(-11670998400) * US_PER_S, false},
};

START_TEST(iso_moments_are_read)
{
    int64_t us;
    bool no_zone;
    ck_assert_msg(time_parse(moments[_i].text, &us, &no_zone), "%s", moments[_i].text);
    ck_assert_msg(us == moments[_i].us, "%s gives %lld", moments[_i].text, (long long)us);
    ck_assert_msg(no_zone == moments[_i].no_zone, "%s", moments[_i].text);
    ck_assert(time_parse(moments[_i].text, &us, NULL));
}
END_TEST

static const char *const refused[] = {
    "",
    "2026",
    "2026-11",
    "2026-1-25",
    "26-11-25",
    "2026-13-01",
    "2026-00-01",
    "2026-11-31",
    "2026-11-00",
    "2023-02-29",
    "1900-02-29",
    "2026/11/25",
    "2026-11-25T",
    "2026-11-25T24:00:00Z",
    "2026-11-25T16:60:00Z",
    "2026-11-25T16:20:61Z",
    "2026-11-25T16:20Z",
    "2026-11-25T16:20:00.Z",
    "2026-11-25T16:20:00,5Z",
    "2026-11-25T16:20:00+15:00",
    "2026-11-25T16:20:00+05:60",
    "2026-11-25T16:20:00+5",
    "2026-11-25T16:20:00+05:",
    "2026-11-25T16:20:00ZZ",
    "2026-11-25T16:20:00 Z",
    " 2026-11-25T16:20:00Z",
    "2026-11-25T16:20:00Z ",
    "-2026-11-25T16:20:00Z",
    "UNAVAILABLE",
};

START_TEST(everything_else_is_refused)
{
    int64_t us;
    ck_assert_msg(!time_parse(refused[_i], &us, NULL), "'%s'", refused[_i]);
}
END_TEST

static const struct {
    int64_t us;
    const char *text;
} formats[] = {
    {0, "1970-01-01T00:00:00Z"},
    {1795623600 * US_PER_S, "2026-11-25T16:20:00Z"},
    {1795623600 * US_PER_S + 1, "2026-11-25T16:20:00.000001Z"},
    {1795623600 * US_PER_S + 500000, "2026-11-25T16:20:00.500000Z"},
    {-1, "1969-12-31T23:59:59.999999Z"},
    {-US_PER_DAY, "1969-12-31T00:00:00Z"},
    {INT64_C(-62135596800) * US_PER_S, "0001-01-01T00:00:00Z"},
    {INT64_C(253402300800) * US_PER_S, "10000-01-01T00:00:00Z"},
};

START_TEST(moments_are_written_in_one_form)
{
    char text[TIME_TEXT];
    time_format(formats[_i].us, text);
    ck_assert_str_eq(text, formats[_i].text);
}
END_TEST

START_TEST(the_furthest_moments_fit_their_text)
{
    char text[TIME_TEXT];
    time_format(INT64_MAX, text);
    ck_assert_str_eq(text, "294247-01-10T04:00:54.775807Z");
    time_format(INT64_MIN, text);
    ck_assert_uint_lt(strlen(text), TIME_TEXT);
}
END_TEST

/* As `date -u -d DAY +%s` divided by 86400. */
static const struct {
    const char *text;
    int32_t day;
} days[] = {
    {"1970-01-01", 0},      {"2026-11-25", 20782},   {"2000-02-29", 11016},
    {"1900-03-01", -25508}, {"0000-03-01", -719468}, {"1969-12-31", -1},
};

START_TEST(days_are_read_and_written)
{
    int32_t day;
    char text[DAY_TEXT];
    ck_assert(day_parse(days[_i].text, &day));
    ck_assert_int_eq(day, days[_i].day);
    day_format(day, text);
    ck_assert_str_eq(text, days[_i].text);
    ck_assert_int_eq(day_of(day_start_us(day)), day);
    ck_assert_int_eq(day_of(day_start_us(day) - 1), day - 1);
    ck_assert_int_eq(day_of(day_start_us(day) + US_PER_DAY - 1), day);
}
END_TEST

START_TEST(a_day_is_nothing_but_a_day)
{
    int32_t day;
    ck_assert(!day_parse("2026-11-25T00:00:00Z", &day));
    ck_assert(!day_parse("2026-11-25 ", &day));
    ck_assert(!day_parse("2026-02-30", &day));
    ck_assert(!day_parse("", &day));
}
END_TEST

START_TEST(every_day_of_six_centuries_comes_back)
{
    for (int32_t day = -100000; day < 120000; day += 3) {
        char text[DAY_TEXT];
        int32_t back;
        day_format(day, text);
        if (!day_parse(text, &back) || back != day)
            ck_abort_msg("%s gives %d", text, back);
    }
}
END_TEST

START_TEST(zones_of_the_tz_database_are_known)
{
    ck_assert(zone_known("UTC"));
    ck_assert(zone_known("Europe/Berlin"));
    ck_assert(zone_known("America/Argentina/Ushuaia"));
    ck_assert(!zone_known("Europe/Atlantis"));
    ck_assert(!zone_known("Europe")); /* a folder */
    ck_assert(!zone_known(""));
    ck_assert(!zone_known("/etc/passwd"));
    ck_assert(!zone_known("../../../etc/passwd"));
}
END_TEST

START_TEST(people_see_the_time_of_their_zone)
{
    char text[64];
    int64_t us = 1774747800 * US_PER_S; /* 2026-03-29T01:30:00Z: summer time began half an hour ago */
    time_local(us, "Europe/Berlin", "%Y-%m-%d %H:%M %Z", text, sizeof text);
    ck_assert_str_eq(text, "2026-03-29 03:30 CEST");
    time_local(us - 3600 * US_PER_S, "Europe/Berlin", "%Y-%m-%d %H:%M %Z", text, sizeof text);
    ck_assert_str_eq(text, "2026-03-29 01:30 CET");
    time_local(-1, "America/New_York", "%Y-%m-%d %H:%M:%S", text, sizeof text);
    ck_assert_str_eq(text, "1969-12-31 18:59:59");
    time_local(us, "UTC", "%Y-%m-%d", text, 5);
    ck_assert_str_eq(text, "");
}
END_TEST

/*
 * Weeks and days by the site's zone. ISO 8601: week 1 has the year's first Thursday, so 2026 has 53 weeks and
 * 2024-12-30 lies in 2025-W01. Offsets and changes of clocks are those of the tz database.
 */
static const struct {
    const char *moment, *zone, *week, *day;
} borders[] = {
    {"2026-12-31T22:59:59Z", "Europe/Berlin", "2026-W53", "2026-12-31"},
    {"2026-12-31T23:00:00Z", "Europe/Berlin", "2026-W53", "2027-01-01"},
    {"2027-01-03T22:59:59Z", "Europe/Berlin", "2026-W53", "2027-01-03"},
    {"2027-01-03T23:00:00Z", "Europe/Berlin", "2027-W01", "2027-01-04"},
    {"2024-12-29T22:59:59Z", "Europe/Berlin", "2024-W52", "2024-12-29"},
    {"2024-12-29T23:00:00Z", "Europe/Berlin", "2025-W01", "2024-12-30"},
    {"2027-01-03T18:29:59Z", "Asia/Kolkata", "2026-W53", "2027-01-03"}, /* +05:30 */
    {"2027-01-03T18:30:00Z", "Asia/Kolkata", "2027-W01", "2027-01-04"},
    {"2027-01-03T13:29:59Z", "Australia/Adelaide", "2026-W53", "2027-01-03"}, /* +10:30 in summer */
    {"2027-01-03T13:30:00Z", "Australia/Adelaide", "2027-W01", "2027-01-04"},
    {"2027-01-04T04:59:59Z", "America/New_York", "2026-W53", "2027-01-03"},
    {"2027-01-04T05:00:00Z", "America/New_York", "2027-W01", "2027-01-04"},
    {"2016-12-31T23:59:60.5Z", "UTC", "2016-W52", "2017-01-01"}, /* a leap second is the next one */
};

START_TEST(weeks_and_days_begin_by_the_site_s_zone)
{
    int64_t us;
    char week[16], day[16];
    ck_assert(time_parse(borders[_i].moment, &us, NULL));
    time_local(us, borders[_i].zone, "%G-W%V", week, sizeof week);
    time_local(us, borders[_i].zone, "%F", day, sizeof day);
    ck_assert_str_eq(week, borders[_i].week);
    ck_assert_str_eq(day, borders[_i].day);
}
END_TEST

static const struct {
    const char *from, *zone;
    int hours;
} changes[] = {
    {"2026-03-28T23:00:00Z", "Europe/Berlin", 23},      {"2026-10-24T22:00:00Z", "Europe/Berlin", 25},
    {"2026-03-08T05:00:00Z", "America/New_York", 23},   {"2026-11-01T04:00:00Z", "America/New_York", 25},
    {"2026-10-03T14:30:00Z", "Australia/Adelaide", 23}, {"2026-04-04T13:30:00Z", "Australia/Adelaide", 25},
    {"2026-10-24T18:30:00Z", "Asia/Kolkata", 24},
};

START_TEST(a_day_on_which_clocks_change_has_23_or_25_hours)
{
    int64_t us;
    char first[24], last[24], next[24];
    ck_assert(time_parse(changes[_i].from, &us, NULL));
    time_local(us, changes[_i].zone, "%F %H", first, sizeof first);
    time_local(us + changes[_i].hours * US_PER_HOUR - 1, changes[_i].zone, "%F %H", last, sizeof last);
    time_local(us + changes[_i].hours * US_PER_HOUR, changes[_i].zone, "%F %H", next, sizeof next);
    ck_assert_str_eq(first + 10, " 00");
    ck_assert_str_eq(last + 10, " 23");
    ck_assert_str_eq(next + 10, " 00");
    ck_assert(strncmp(first, last, 10) == 0 && strncmp(first, next, 10) != 0);
}
END_TEST

START_TEST(the_process_keeps_its_own_zone)
{
    char text[64];
    setenv("TZ", "Asia/Tokyo", 1);
    tzset();
    time_local(0, "Europe/Berlin", "%H", text, sizeof text);
    time_t zero = 0;
    struct tm tm;
    ck_assert_str_eq(getenv("TZ"), "Asia/Tokyo");
    ck_assert_int_eq(localtime_r(&zero, &tm)->tm_hour, 9);
    unsetenv("TZ");
    time_local(0, "Europe/Berlin", "%H", text, sizeof text);
    ck_assert_ptr_null(getenv("TZ"));
}
END_TEST

START_TEST(clocks_run)
{
    ck_assert_int_gt(clock_now_us(), 1700000000 * US_PER_S);
    int64_t before = clock_mono_ms();
    nanosleep(&(struct timespec){.tv_nsec = 20000000}, NULL);
    ck_assert_int_ge(clock_mono_ms() - before, 19);
}
END_TEST

#define LOOP(t, test, table) tcase_add_loop_test(t, test, 0, sizeof table / sizeof *table)

static Suite *suite(void)
{
    Suite *s = suite_create("clock");
    TCase *t = tcase_create("clock");
    LOOP(t, iso_moments_are_read, moments);
    LOOP(t, everything_else_is_refused, refused);
    LOOP(t, moments_are_written_in_one_form, formats);
    tcase_add_test(t, the_furthest_moments_fit_their_text);
    LOOP(t, days_are_read_and_written, days);
    tcase_add_test(t, a_day_is_nothing_but_a_day);
    tcase_add_test(t, every_day_of_six_centuries_comes_back);
    tcase_add_test(t, zones_of_the_tz_database_are_known);
    tcase_add_test(t, people_see_the_time_of_their_zone);
    LOOP(t, weeks_and_days_begin_by_the_site_s_zone, borders);
    LOOP(t, a_day_on_which_clocks_change_has_23_or_25_hours, changes);
    tcase_add_test(t, the_process_keeps_its_own_zone);
    tcase_add_test(t, clocks_run);
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
