#include "summary.h"

#include "base/clock.h"

#include <check.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new(64 * 1024 * 1024);
}

static void free_arena(void)
{
    arena_free(mem);
}

#define NONE ((double)NAN)
#define DAY INT64_C(20000)
#define START (DAY * US_PER_DAY)

/* Reads "hour rpm, ...", rpm "u" for unavailable. */
static size_t readings_of(const char *text, struct reading *readings)
{
    size_t n = 0;
    char *copy = arena_strdup(mem, text), *place = NULL;
    for (char *one = strtok_r(copy, ",", &place); one; one = strtok_r(NULL, ",", &place), n++) {
        double hour;
        char rpm[32];
        ck_assert_int_eq(sscanf(one, " %lf %31s", &hour, rpm), 2);
        readings[n] = (struct reading){
            .fan_no = 1,
            .milli_rpm = rpm[0] == 'u' ? RPM_UNAVAILABLE : (int32_t)lround(atof(rpm) * 1000),
            .at_us = START + (int64_t)llround(hour * (double)US_PER_HOUR),
        };
    }
    return n;
}

static const struct {
    const char *name, *readings;
    int count, unavailable, zero, covered_s;
    double median, mean, min, max, spread, last;
} days[] = {
    {"one speed all day", "0 3000", 1, 0, 0, 86400, 3000, 3000, 3000, 3000, 0, 3000},
    {"nothing is known before the first", "18 3000", 1, 0, 0, 21600, 3000, 3000, 3000, 3000, 0, 3000},
    {"time decides, not number", "0 3000, 18 1000, 19 1000, 20 1000", 4, 0, 0, 86400, 3000, 2500, 1000, 3000,
     0, 1000},
    {"half and half", "0 3000, 12 2000", 2, 0, 0, 86400, 2500, 2500, 2000, 3000, 1.4826 * 500, 2000},
    /* weights 6, 6, 12 h: median 2000 | 3000 at exactly half; deviations 1500 (6 h), 500 (18 h) */
    {"the spread is of the deviations", "0 1000, 6 2000, 12 3000", 3, 0, 0, 86400, 2500, 2250, 1000, 3000,
     1.4826 * 500, 3000},
    {"unavailable ends what was known", "0 3000, 6 u, 18 2900, 21 u", 4, 2, 0, 32400, 3000,
     (6 * 3000 + 3 * 2900) / 9.0, 2900, 3000, 0, NONE},
    {"standing is known but does not count", "0 3000, 6 0, 12 3100", 3, 0, 1, 86400, 3100,
     (6 * 3000 + 12 * 3100) / 18.0, 3000, 3100, 0, 3100},
    {"standing all day", "0 0", 1, 0, 1, 86400, NONE, NONE, NONE, 0, NONE, 0},
    {"unavailable all day", "0 u, 5 u", 2, 2, 0, 0, NONE, NONE, NONE, NONE, NONE, NONE},
    {"two in one instant: the later holds", "0 3000, 12 1, 12 2000", 3, 0, 0, 86400, 2500, 2500, 1, 3000,
     1.4826 * 500, 2000},
    {"thousandths", "0 3000.125", 1, 0, 0, 86400, 3000.125, 3000.125, 3000.125, 3000.125, 0, 3000.125},
};

static bool same(double a, double b)
{
    return (isnan(a) && isnan(b)) || fabs(a - b) <= 1e-9 * (1 + fabs(b));
}

START_TEST(figures_of_a_day)
{
    struct reading r[16];
    size_t n = readings_of(days[_i].readings, r);
    struct day_figures f = summary_of_day(r, n, START, mem);
    ck_assert_int_eq(f.readings, days[_i].count);
    ck_assert_int_eq(f.unavailable, days[_i].unavailable);
    ck_assert_int_eq(f.zero, days[_i].zero);
    ck_assert_int_eq(f.covered_s, days[_i].covered_s);
    ck_assert_int_eq(f.last_us, r[n - 1].at_us);
    const struct {
        const char *what;
        double got, expected;
    } figures[] = {
        {"median", f.median, days[_i].median}, {"mean", f.mean, days[_i].mean},
        {"min", f.min, days[_i].min},          {"max", f.max, days[_i].max},
        {"spread", f.spread, days[_i].spread}, {"last", f.last, days[_i].last},
    };
    for (size_t k = 0; k < sizeof figures / sizeof *figures; k++)
        ck_assert_msg(same(figures[k].got, figures[k].expected), "%s: %s is %.17g, not %.17g", days[_i].name,
                      figures[k].what, figures[k].got, figures[k].expected);
}
END_TEST

/* Repeating a speed while it holds adds readings and changes no other figure. */
START_TEST(a_repeated_speed_changes_no_figure)
{
    srand((unsigned)_i);
    struct reading few[40], many[80];
    for (int k = 0; k < 40; k++) {
        few[k] = (struct reading){1, rand() % 6 ? 2000000 + rand() % 900000 : RPM_UNAVAILABLE,
                                  START + k * US_PER_HOUR / 2 + rand() % 1000 * US_PER_S};
        many[2 * k] = many[2 * k + 1] = few[k];
        many[2 * k + 1].at_us += rand() % 700 * US_PER_S;
    }
    struct day_figures a = summary_of_day(few, 40, START, mem), b = summary_of_day(many, 80, START, mem);
    ck_assert_int_eq(a.covered_s, b.covered_s);
    ck_assert(same(a.median, b.median) && same(a.mean, b.mean) && same(a.spread, b.spread));
    ck_assert(same(a.min, b.min) && same(a.max, b.max) && same(a.last, b.last));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("summary");
    tcase_add_checked_fixture(tc, make_arena, free_arena);
    tcase_add_loop_test(tc, figures_of_a_day, 0, (int)(sizeof days / sizeof *days));
    tcase_add_loop_test(tc, a_repeated_speed_changes_no_figure, 0, 20);
    Suite *suite = suite_create("summary");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
