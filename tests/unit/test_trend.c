#include "trend.h"

#include "near.h"
#include "numeric.h"

#include <stdint.h>
#include <string.h>

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new(64 << 20);
}

static void drop_arena(void)
{
    arena_free(mem);
}

static FILE *open_data(const char *name)
{
    char path[500];
    snprintf(path, sizeof path, "%s/%s", TEST_DATA, name);
    FILE *file = fopen(path, "r");
    ck_assert_msg(file, "cannot open %s", path);
    return file;
}

/* The series of NIST/SEMATECH e-Handbook 6.3.2.4. */
enum { HANDBOOK = 20 };
static const double handbook[HANDBOOK] = {52,   47,   53,   49.3, 50.1, 47,   51,   50.1, 51.2, 50.5,
                                          49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};

/* ---- medians ---- */

START_TEST(median_and_deviation_of_readings_with_two_false_ones)
{
    static const double x[] = {1.2, 1.1, 1.3, 1.2, 9.0, 1.15, 1.25, 1.1, 1.3, 1.2, 1.18, -5.0, 1.22, 1.21};
    near_relative("median", trend_median(x, 14, mem), 1.2, 1e-15);
    near_relative("deviation", trend_mad(x, 14, mem), 0.05, 1e-12);
    near_absolute("scaled", trend_mad(x, 14, mem) * TREND_MAD_SCALE, 0.07413, 5e-6);
    near_relative("factor", TREND_MAD_SCALE, 1 / normal_quantile(0.75), 1e-14);
}
END_TEST

/* R's pracma::hampel(x, 3): the false point of the middle is replaced, the one near the end is not tested. */
START_TEST(a_false_reading_becomes_its_neighbours_median)
{
    double x[] = {1.2, 1.1, 1.3, 1.2, 9.0, 1.15, 1.25, 1.1, 1.3, 1.2, 1.18, -5.0, 1.22, 1.21}, before[14];
    memcpy(before, x, sizeof x);
    ck_assert_uint_eq(trend_hampel(x, 14, 3, 3, 0, mem), 1);
    for (int i = 0; i < 14; i++)
        ck_assert(x[i] == (i == 4 ? 1.2 : before[i]));
}
END_TEST

START_TEST(equal_readings_do_not_make_a_small_step_false)
{
    double x[] = {3000, 3000, 3000, 3000, 3010, 3000, 3000, 3000, 3000};
    ck_assert_uint_eq(trend_hampel(x, 9, 3, 3, 10, mem), 0);
    ck_assert_uint_eq(trend_hampel(x, 9, 3, 3, 1, mem), 1);
    ck_assert_uint_eq(trend_hampel(x, 5, 3, 3, 1, mem), 0); /* shorter than a window */
}
END_TEST

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

START_TEST(a_median_needs_no_order)
{
    enum { MOST = 60 };
    double x[MOST] = {0}, sorted[MOST];
    unsigned seed = 20260101;

    ck_assert(isnan(trend_median(x, 0, mem)));
    for (int round = 0; round < 2000; round++) {
        size_t n = 1 + round % MOST;
        for (size_t i = 0; i < n; i++) {
            seed = seed * 1103515245u + 12345u;
            x[i] = (seed >> 16) % (1 + round % 17); /* many equal ones */
        }
        memcpy(sorted, x, n * sizeof *x);
        qsort(sorted, n, sizeof *sorted, by_value);
        ck_assert(trend_median(x, n, mem) == (sorted[(n - 1) / 2] + sorted[n / 2]) / 2);
    }
}
END_TEST

/* ---- trend ---- */

/* 45 years of suspended sediment in the Rhine; R's trend::mk.test and sens.slope. */
START_TEST(sediment_in_a_river_falls)
{
    FILE *file = open_data("trend/maxau.csv");
    double year[60], sediment[60];
    size_t n = 0;
    char line[200];
    while (n < 60 && fgets(line, sizeof line, file))
        n += sscanf(line, "%lf,%lf", &year[n], &sediment[n]) == 2;
    fclose(file);

    struct slope t = trend_slope(year, sediment, n, 0.95, mem);
    ck_assert_uint_eq(n, 45);
    ck_assert(t.s == -394 && t.variance == 10450);
    near_relative("z", t.z, -3.844451666, 1e-9);
    near_relative("p", t.p, 0.000120822295, 1e-8);
    near_relative("tau", t.s / (45 * 44 / 2.), -0.39797979798, 1e-10);
    near_relative("slope", t.slope, -0.287613882373, 1e-11);
    near_relative("lower", t.lower, -0.419647678219, 1e-11);
    near_relative("upper", t.upper, -0.151902587519, 1e-11);
}
END_TEST

/* Cloud seeding (Hollander & Wolfe, Nonparametric Statistical Methods). */
START_TEST(five_points)
{
    static const double x[] = {1, 2, 3, 4, 5}, y[] = {1.26, 1.27, 1.12, 1.16, 1.03};
    struct slope t = trend_slope(x, y, 5, 0.95, mem);
    near_relative("slope", t.slope, -0.05625, 1e-12);
    ck_assert(t.s == -6);
    near_relative("intercept", t.intercept, 1.26 + 0.05625,
                  1e-12); /* the first is the middle one of y - slope x */
}
END_TEST

/* Variance of S with ties in both variables, by its definition: over all orders of y. */
static void permute(double *y, int n, int at, const double *x, double *sum, double *squares, int *orders)
{
    if (at == n) {
        double s = 0;
        for (int i = 0; i < n; i++)
            for (int j = i + 1; j < n; j++)
                s += ((x[j] > x[i]) - (x[j] < x[i])) * ((y[j] > y[i]) - (y[j] < y[i]));
        *sum += s;
        *squares += s * s;
        (*orders)++;
        return;
    }
    for (int i = at; i < n; i++) {
        double swap = y[at];
        y[at] = y[i], y[i] = swap;
        permute(y, n, at + 1, x, sum, squares, orders);
        swap = y[at];
        y[at] = y[i], y[i] = swap;
    }
}

START_TEST(ties_narrow_the_variance_as_counting_all_orders_shows)
{
    double x[] = {1, 1, 2, 3, 3, 3, 4}, y[] = {5, 6, 6, 7, 7, 9, 5};
    struct slope t = trend_slope(x, y, 7, 0.95, mem);
    double sum = 0, squares = 0;
    int orders = 0;
    permute(y, 7, 0, x, &sum, &squares, &orders);
    near_absolute("mean of S", sum / orders, 0, 1e-12);
    near_relative("variance of S", t.variance, squares / orders, 1e-12);
}
END_TEST

START_TEST(a_trend_does_not_depend_on_the_order_of_points)
{
    double x[50], y[50], rx[50], ry[50];
    for (int i = 0; i < 50; i++) {
        x[i] = i;
        y[i] = 3000 - 2 * i + 7 * sin(i * 1.7);
        rx[49 - i] = x[i];
        ry[49 - i] = y[i];
    }
    struct slope a = trend_slope(x, y, 50, 0.9, mem), b = trend_slope(rx, ry, 50, 0.9, mem);
    ck_assert(a.slope == b.slope && a.lower == b.lower && a.upper == b.upper && a.s == b.s);
    ck_assert(a.lower <= a.slope && a.slope <= a.upper && a.p < 1e-6);
}
END_TEST

START_TEST(too_few_points_or_one_moment_give_no_trend)
{
    static const double x[] = {1, 2, 3}, y[] = {4, 5, 6}, same[] = {2, 2, 2};
    ck_assert(isnan(trend_slope(x, y, 2, 0.95, mem).slope));
    ck_assert(isnan(trend_slope(same, y, 3, 0.95, mem).slope));
    struct slope flat = trend_slope(x, same, 3, 0.95, mem);
    ck_assert(flat.slope == 0 && flat.z == 0 && flat.p == 1 && flat.lower == 0 && flat.upper == 0);
}
END_TEST

/* ---- control charts ---- */

/* Published to two places (NIST/SEMATECH e-Handbook 6.3.2.4); the last by R 4.2.2. */
START_TEST(the_weighted_mean_of_the_handbook)
{
    static const double printed[HANDBOOK] = {50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75,
                                             49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
                                             49.38, 49.92, 50.73, 51.23, 51.94, 51.99};
    double z[HANDBOOK];
    trend_ewma(handbook, HANDBOOK, 0.3, 50, z);
    for (int i = 0; i < HANDBOOK; i++)
        near_absolute("weighted mean", z[i], printed[i], 0.00501);
    near_relative("the last", z[HANDBOOK - 1], 51.98824326, 1e-9);
    for (int i = 0; i < HANDBOOK; i++)
        ck_assert(z[i] < 52.5884 && z[i] > 47.4115); /* the page's limits: no signal */
    near_absolute("upper limit", 50 + 3 * 2.0539 * sqrt(0.3 / 1.7), 52.5884, 1e-4);
}
END_TEST

/* Average run lengths of the two-sided chart at k of half a standard deviation (Montgomery, Introduction to
 * Statistical Quality Control, table of the tabular CUSUM: 168, 8.38; 465, 10.4; 26.6; R 4.2.2, spc 0.6.7 to
 * four digits). */
static const struct {
    double h, shift, length;
} run_lengths[] = {
    {4, 0, 167.6838}, {4, 0.5, 26.6302}, {4, 1, 8.383132}, {5, 0.5, 37.99614}, {5, 1, 10.37597}};

/* Values of a standard normal law that are the same in every run: the inverse of evenly spread numbers. */
static double dice(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    uint64_t mixed = (*state ^ (*state >> 29)) * 0x9e3779b97f4a7c15u;
    return normal_quantile(((double)(mixed >> 11) + 0.5) / 9007199254740992.0);
}

START_TEST(cumulative_sums_run_as_long_as_published)
{
    enum { RUNS = 4000, LONGEST = 4000 };
    static double x[LONGEST], high[LONGEST], low[LONGEST];
    uint64_t state = 7;
    double sum = 0, squares = 0;

    for (int run = 0; run < RUNS; run++) {
        size_t n = 64, first;
        for (size_t made = 0;; made = n, n *= 2) { /* longer, until it signals */
            n = n < LONGEST ? n : LONGEST;
            for (size_t i = made; i < n; i++)
                x[i] = run_lengths[_i].shift + dice(&state);
            first = trend_cusum(x, n, 0, 0.5, run_lengths[_i].h, high, low);
            if (first < n || n == LONGEST)
                break;
        }
        sum += (double)first + 1;
        squares += ((double)first + 1) * ((double)first + 1);
    }
    double mean = sum / RUNS, error = sqrt((squares / RUNS - mean * mean) / RUNS);
    near_absolute("run length", mean, run_lengths[_i].length, 3.5 * error);
    ck_assert_double_lt(error, 0.03 * mean);
}
END_TEST

/* By hand from the definition, on the series of NIST/SEMATECH e-Handbook 6.3.2.4. */
START_TEST(the_cumulative_sums_of_the_handbooks_series)
{
    static const double high[HANDBOOK] = {1.5, 0, 2.5, 1.3, 0.9, 0,   0.5, 0.1, 0.8, 0.8,
                                          0,   0, 0,   0.8, 0,   0.7, 2.8, 4.7, 7.8, 9.4};
    static const double low[HANDBOOK] = {0, 2.5, 0,   0.2, 0,   2.5, 1.0, 0.4, 0, 0,
                                         0, 1.9, 1.5, 0,   1.7, 0,   0,   0,   0, 0};
    double h[HANDBOOK], l[HANDBOOK];
    ck_assert_uint_eq(trend_cusum(handbook, HANDBOOK, 50, 0.5, 4, h, l), 17);
    for (int i = 0; i < HANDBOOK; i++) {
        near_absolute("high sum", h[i], high[i], 1e-12);
        near_absolute("low sum", l[i], low[i], 1e-12);
    }
    ck_assert_uint_eq(trend_cusum(handbook, HANDBOOK, 50, 0.5, 10, h, l), HANDBOOK);
}
END_TEST

/* R 4.2.2 from the definition. */
START_TEST(the_page_hinkley_statistic_of_the_handbooks_series)
{
    static const double want[HANDBOOK] = {0,
                                          0,
                                          2.1333333333,
                                          0.9083333333,
                                          0.5283333333,
                                          0,
                                          0.8857142857,
                                          0.8482142857,
                                          1.7704365079,
                                          1.9504365079,
                                          1.2777092352,
                                          0,
                                          0,
                                          1.1285714286,
                                          0,
                                          1.0875,
                                          3.4169117647,
                                          5.4169117647,
                                          8.4379643963,
                                          9.8729643963};
    double got[HANDBOOK];
    ck_assert_uint_eq(trend_page_hinkley(handbook, HANDBOOK, 0.2, 5, got), 17);
    for (int i = 0; i < HANDBOOK; i++)
        near_absolute("Page-Hinkley", got[i], want[i], 1e-10);
    ck_assert_uint_eq(trend_page_hinkley(handbook, HANDBOOK, 0.2, 50, got), HANDBOOK);
}
END_TEST

static void add_robust_tests(TCase *cases)
{
    tcase_add_checked_fixture(cases, make_arena, drop_arena);
    tcase_add_test(cases, median_and_deviation_of_readings_with_two_false_ones);
    tcase_add_test(cases, a_false_reading_becomes_its_neighbours_median);
    tcase_add_test(cases, equal_readings_do_not_make_a_small_step_false);
    tcase_add_test(cases, a_median_needs_no_order);
    tcase_add_test(cases, sediment_in_a_river_falls);
    tcase_add_test(cases, five_points);
    tcase_add_test(cases, ties_narrow_the_variance_as_counting_all_orders_shows);
    tcase_add_test(cases, a_trend_does_not_depend_on_the_order_of_points);
    tcase_add_test(cases, too_few_points_or_one_moment_give_no_trend);
}

static void add_chart_tests(TCase *cases)
{
    tcase_add_test(cases, the_weighted_mean_of_the_handbook);
    tcase_add_loop_test(cases, cumulative_sums_run_as_long_as_published, 0,
                        sizeof run_lengths / sizeof *run_lengths);
    tcase_add_test(cases, the_cumulative_sums_of_the_handbooks_series);
    tcase_add_test(cases, the_page_hinkley_statistic_of_the_handbooks_series);
}

int main(void)
{
    Suite *suite = suite_create("trend");
    TCase *robust = tcase_create("robust"), *charts = tcase_create("charts");

    near_start();
    add_robust_tests(robust);
    add_chart_tests(charts);
    suite_add_tcase(suite, robust);
    suite_add_tcase(suite, charts);
    return near_run(suite, "trend");
}
