#include "trend.h"

#include "near.h"
#include "numeric.h"

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

/* ---- first passage ---- */

/* Increments of the 15 lasers of Meeker & Escobar 1998, table C.17; R 4.2.2, statmod 1.5.0. */
START_TEST(lasers_reach_ten_per_cent)
{
    FILE *file = open_data("trend/gaas_laser.csv");
    double dy[300], dt[300], last = 0, last_hours = 0, rise, hours;
    size_t n = 0;
    int unit;
    char line[100];
    while (n < 300 && fgets(line, sizeof line, file)) {
        if (sscanf(line, "%lf,%d,%lf", &rise, &unit, &hours) != 3)
            continue;
        if (hours > 0) {
            dy[n] = rise - last;
            dt[n++] = hours - last_hours;
        }
        last = rise;
        last_hours = hours;
    }
    fclose(file);

    double mu, s2;
    trend_wiener_fit(dy, dt, n, &mu, &s2);
    ck_assert_uint_eq(n, 240);
    near_relative("drift", mu, 0.00203790666667, 1e-11);
    near_relative("diffusion", s2, 0.000160267294156, 1e-11);
    double sd = sqrt(s2), mean = 10 / mu, shape = 100 / s2;
    near_relative("mean passage", mean, 4906.996068, 1e-9);
    near_relative("its shape", shape, 623957.6236, 1e-9);
    near_relative("F(3000)", trend_passage_cdf(3000, 10, mu, sd), 1.3018681746681e-08, 1e-10);
    near_relative("F(4000)", trend_passage_cdf(4000, 10, mu, sd), 0.011707373192197, 1e-10);
    near_relative("F(4500)", trend_passage_cdf(4500, 10, mu, sd), 0.17531514813261, 1e-10);
    near_relative("F(5000)", trend_passage_cdf(5000, 10, mu, sd), 0.60110298919277, 1e-10);
    near_relative("F(6000)", trend_passage_cdf(6000, 10, mu, sd), 0.98977220457517, 1e-10);
    near_relative("10 %", trend_passage_quantile(0.1, 10, mu, sd), 4363.48743022, 1e-10);
    near_relative("50 %", trend_passage_quantile(0.5, 10, mu, sd), 4887.7890026, 1e-10);
    near_relative("90 %", trend_passage_quantile(0.9, 10, mu, sd), 5475.18053701, 1e-10);
    near_relative("by mean and shape", inverse_gaussian_cdf(5000, mean, shape), 0.60110298919277, 1e-10);
}
END_TEST

/* R's statmod 1.5.0: dinvgauss and pinvgauss. */
START_TEST(inverse_gaussian_values)
{
    near_relative("density", inverse_gaussian_pdf(1, 1, 1), 0.398942280401433, 1e-12);
    near_relative("density", inverse_gaussian_pdf(0.5, 1, 1), 0.878782578935445, 1e-12);
    near_relative("density", inverse_gaussian_pdf(2, 1, 3), 0.115399742104091, 1e-12);
    near_relative("cumulative", inverse_gaussian_cdf(1, 1, 1), 0.668102001223171, 1e-12);
    near_relative("cumulative", inverse_gaussian_cdf(0.5, 1, 1), 0.36497554817296, 1e-12);
    near_relative("cumulative", inverse_gaussian_cdf(2, 1, 3), 0.937786002255208, 1e-12);
    ck_assert(inverse_gaussian_pdf(0, 1, 1) == 0 && inverse_gaussian_cdf(0, 1, 1) == 0);
}
END_TEST

START_TEST(a_steep_drift_overflows_nothing)
{
    /* exp(2 drift distance / sd^2) would be exp(2e6) */
    near_relative("half of the way at the mean", trend_passage_cdf(1000, 1000, 1, 1) - 0.5,
                  exp(2000 + normal_log_cdf(-2000 / sqrt(1000))), 1e-9);
    ck_assert(trend_passage_cdf(100, 1e6, 1, 1) == 0);
    ck_assert(trend_passage_cdf(1e7, 1e6, 1, 1) == 1);
}
END_TEST

START_TEST(without_drift_the_way_may_never_end)
{
    /* drift away from the limit: reached at all with exp(2 drift distance / sd^2) */
    near_relative("ever", trend_passage_cdf(D_INF, 2, -0.5, 1.5), exp(-2 * 0.5 * 2 / 2.25), 1e-14);
    near_relative("late", trend_passage_cdf(1e6, 2, -0.5, 1.5), exp(-2 * 0.5 * 2 / 2.25), 1e-12);
    ck_assert(isinf(trend_passage_quantile(0.5, 2, -0.5, 1.5)));
    ck_assert(isfinite(trend_passage_quantile(0.3, 2, -0.5, 1.5)));
    /* no drift: twice the normal tail (reflection) */
    near_relative("no drift", trend_passage_cdf(9, 3, 0, 2), 2 * normal_cdf(-3 / (2 * 3.)), 1e-14);
    ck_assert(trend_passage_cdf(5, 0, 1, 1) == 1 && trend_passage_quantile(0.5, -1, 1, 1) == 0);
}
END_TEST

START_TEST(without_noise_the_way_ends_on_the_day)
{
    ck_assert(trend_passage_cdf(9.9, 10, 1, 0) == 0 && trend_passage_cdf(10, 10, 1, 0) == 1);
    near_relative("day", trend_passage_quantile(0.9, 10, 2, 0), 5, 1e-15);
    ck_assert(isinf(trend_passage_quantile(0.9, 10, -2, 0)) && isinf(trend_passage_quantile(0.9, 10, 0, 0)));
}
END_TEST

START_TEST(passage_and_its_quantile_are_inverse)
{
    static const double drifts[] = {-0.2, 0, 0.01, 1, 30};
    for (int d = 0; d < 5; d++)
        for (double p = 0.01; p < 1; p += 0.07) {
            double t = trend_passage_quantile(p, 5, drifts[d], 1.3);
            if (isinf(t))
                continue;
            near_relative("inverse", trend_passage_cdf(t, 5, drifts[d], 1.3), p, 1e-10);
        }
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
    tcase_add_test(cases, the_cumulative_sums_of_the_handbooks_series);
    tcase_add_test(cases, the_page_hinkley_statistic_of_the_handbooks_series);
}

static void add_passage_tests(TCase *cases)
{
    tcase_add_test(cases, lasers_reach_ten_per_cent);
    tcase_add_test(cases, inverse_gaussian_values);
    tcase_add_test(cases, a_steep_drift_overflows_nothing);
    tcase_add_test(cases, without_drift_the_way_may_never_end);
    tcase_add_test(cases, without_noise_the_way_ends_on_the_day);
    tcase_add_test(cases, passage_and_its_quantile_are_inverse);
}

int main(void)
{
    Suite *suite = suite_create("trend");
    TCase *robust = tcase_create("robust"), *charts = tcase_create("charts"),
          *passage = tcase_create("passage");

    near_start();
    add_robust_tests(robust);
    add_chart_tests(charts);
    add_passage_tests(passage);
    suite_add_tcase(suite, robust);
    suite_add_tcase(suite, charts);
    suite_add_tcase(suite, passage);
    return near_run(suite, "trend");
}
