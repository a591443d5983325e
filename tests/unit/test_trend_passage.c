#include "trend_passage.h"

#include "near.h"
#include "numeric.h"

#include <string.h>

/* The 15 lasers of Meeker & Escobar 1998, table C.17: rise in per cent, every 250 h. */
enum { UNITS = 15, LOOKS = 17 };
static double lasers[UNITS][LOOKS];

static void read_lasers(void)
{
    FILE *file = fopen(TEST_DATA "/trend/gaas_laser.csv", "r");
    char line[100];
    double rise, hours;
    int unit;

    ck_assert_ptr_nonnull(file);
    while (fgets(line, sizeof line, file))
        if (sscanf(line, "%lf,%d,%lf", &rise, &unit, &hours) == 3)
            lasers[unit - 101][(int)(hours / 250)] = rise;
    fclose(file);
}

static size_t increments(double *dy, double *dt)
{
    size_t n = 0;
    for (int unit = 0; unit < UNITS; unit++)
        for (int k = 1; k < LOOKS; k++) {
            dy[n] = lasers[unit][k] - lasers[unit][k - 1];
            dt[n++] = 250;
        }
    return n;
}

/* R 4.2.2, statmod 1.5.0. */
START_TEST(lasers_reach_ten_per_cent)
{
    double dy[UNITS * LOOKS], dt[UNITS * LOOKS], mu, s2;
    size_t n = increments(dy, dt);

    trend_wiener_fit(dy, dt, n, &mu, &s2);
    ck_assert_uint_eq(n, 240);
    near_relative("drift", mu, 0.00203790666667, 1e-11);
    near_relative("its error", sqrt(s2 / (250. * 240)), 5.1682894e-05, 1e-8);
    near_relative("diffusion", s2, 0.000160267294156, 1e-11);
    double likelihood = 0;
    for (size_t i = 0; i < n; i++)
        likelihood -=
            (log(2 * M_PI * s2 * dt[i]) + (dy[i] - mu * dt[i]) * (dy[i] - mu * dt[i]) / s2 / dt[i]) / 2;
    near_relative("log likelihood", likelihood, 45.51954766, 1e-9);
    double sd = sqrt(s2), mean = 10 / mu, shape = 100 / s2;
    near_relative("mean passage", mean, 4906.996068, 1e-9);
    near_relative("its spread", sqrt(mean * mean * mean / shape), 435.15704, 1e-7);
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

/* Lines through each laser's looks, the first included, lead to ten per cent; the published pseudo failure
 * times (Meeker & Escobar 1998) are these rounded to hours. */
START_TEST(lines_through_the_lasers_reach_ten_per_cent)
{
    static const double want[UNITS] = {3702.035256, 4194.424792, 5846.754435, 6172.070558, 5300.978671,
                                       3592.358564, 6050.786373, 6538.474990, 5110.062615, 3306.484029,
                                       5326.347142, 4994.553790, 4720.523450, 5688.935747, 6101.838073};
    static const double published[UNITS] = {3702, 4194, 5847, 6172, 5301, 3592, 6051, 6538,
                                            5110, 3306, 5326, 4995, 4721, 5689, 6102};
    for (int unit = 0; unit < UNITS; unit++) {
        double x = 0, y = 0, xx = 0, xy = 0;
        for (int k = 0; k < LOOKS; k++) {
            x += 250 * k;
            y += lasers[unit][k];
            xx += 250. * k * 250 * k;
            xy += 250 * k * lasers[unit][k];
        }
        double slope = (xy - x * y / LOOKS) / (xx - x * x / LOOKS);
        double hours = trend_passage_quantile(0.5, 10 - (y - slope * x) / LOOKS, slope, 0);
        near_relative("hours", hours, want[unit], 1e-9);
        near_absolute("hours", hours, published[unit], 0.6);
    }
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

/* ---- a drift that is not known exactly ---- */

struct drift_case {
    double t, distance, drift, drift_sd, sd;
};
static const struct drift_case drift_cases[] = {{30, 0.1, 0.002, 0.001, 0.003},
                                                {7, 0.03, 0.004, 0.0005, 0.002},
                                                {365, 0.2, 0, 0.0005, 0.001},
                                                {90, 0.15, -0.001, 0.001, 0.002},
                                                {10, 1, 0.2, 0.1, 0.3},
                                                {400, 1, -0.2, 0.1, 0.3},
                                                {1, 5, 2, 3, 1},
                                                {50, 0.001, -0.01, 0.002, 0.003},
                                                {3650, 0.2, 0.0001, 0.0001, 0.0005}};
enum { DRIFT_CASES = sizeof drift_cases / sizeof *drift_cases };

/* The mixture by its definition: Simpson's rule over the drift's law. */
static double over_all_drifts(const struct drift_case *c)
{
    enum { STEPS = 4000 };
    double sum = 0, width = 20. / STEPS;
    for (int i = 0; i <= STEPS; i++) {
        double z = -10 + i * width, weight = i == 0 || i == STEPS ? 1 : i % 2 ? 4 : 2;
        sum += weight * normal_density(z) *
               trend_passage_cdf(c->t, c->distance, c->drift + z * c->drift_sd, c->sd);
    }
    return sum * width / 3;
}

START_TEST(an_unsure_drift_is_the_mixture_over_all_drifts)
{
    const struct drift_case *c = &drift_cases[_i];
    near_relative("mixture", trend_passage_unsure_cdf(c->t, c->distance, c->drift, c->drift_sd, c->sd),
                  over_all_drifts(c), 1e-9);
    struct drift_case ever = *c;
    ever.t = D_INF;
    near_relative("ever", trend_passage_unsure_cdf(D_INF, c->distance, c->drift, c->drift_sd, c->sd),
                  over_all_drifts(&ever), 1e-4); /* the integrand has a corner where the drift is 0 */
    near_relative("a drift that is sure", trend_passage_unsure_cdf(c->t, c->distance, c->drift, 1e-9, c->sd),
                  trend_passage_cdf(c->t, c->distance, c->drift, c->sd), 1e-5);
}
END_TEST

/* Other units of speed and of time are the same way. */
START_TEST(units_change_nothing)
{
    const struct drift_case *c = &drift_cases[_i];
    double p = trend_passage_unsure_cdf(c->t, c->distance, c->drift, c->drift_sd, c->sd);
    near_relative(
        "speed",
        trend_passage_unsure_cdf(c->t, 2300 * c->distance, 2300 * c->drift, 2300 * c->drift_sd, 2300 * c->sd),
        p, 1e-11);
    near_relative(
        "time",
        trend_passage_unsure_cdf(24 * c->t, c->distance, c->drift / 24, c->drift_sd / 24, c->sd / sqrt(24)),
        p, 1e-11);
}
END_TEST

START_TEST(an_unsure_passage_only_gets_likelier)
{
    const struct drift_case *c = &drift_cases[_i];
    double before = 0, ever = trend_passage_unsure_cdf(D_INF, c->distance, c->drift, c->drift_sd, c->sd);
    for (double t = c->t / 1e4; t < 1e4 * c->t; t *= 1.3) {
        double p = trend_passage_unsure_cdf(t, c->distance, c->drift, c->drift_sd, c->sd);
        ck_assert_double_ge(p, before - 1e-15);
        before = p;
    }
    ck_assert_double_le(before, ever * (1 + 1e-12));
    near_relative("late is ever", before, ever, 0.02);
    ck_assert(trend_passage_unsure_cdf(0, c->distance, c->drift, c->drift_sd, c->sd) == 0);
    ck_assert(trend_passage_unsure_cdf(1, 0, c->drift, c->drift_sd, c->sd) == 1);
}
END_TEST

/* What has not arrived: the path's end is short of the limit, less those that were there and came back. */
START_TEST(arrived_and_not_arrived_add_to_one)
{
    const struct drift_case *c = &drift_cases[_i];
    enum { STEPS = 20000 };
    double passed = trend_passage_unsure_cdf(c->t, c->distance, c->drift, c->drift_sd, c->sd), not_yet = 0;
    double root = hypot(c->sd * sqrt(c->t), c->drift_sd * c->t), from = c->drift * c->t - 12 * root;
    double width = (c->distance - from) / STEPS;
    /* density of the end below the limit without having touched it: 1 - exp(-2 d (d - y) / (sd^2 t)) of the
     * bridge */
    for (int i = 0; i <= STEPS && from < c->distance; i++) {
        double y = from + i * width, weight = i == 0 || i == STEPS ? 1 : i % 2 ? 4 : 2;
        not_yet += weight * width / 3 * normal_density((y - c->drift * c->t) / root) / root *
                   -expm1(-2 * c->distance * (c->distance - y) / (c->sd * c->sd * c->t));
    }
    near_absolute("sum", passed + not_yet, 1, 1e-8);
}
END_TEST

START_TEST(nothing_overflows_however_small_the_diffusion)
{
    /* exp(2 v d^2 / sd^4) would be exp(8e11) */
    near_relative("hardly any diffusion", trend_passage_unsure_cdf(30, 0.2, 0.005, 0.002, 1e-6),
                  normal_cdf((0.005 - 0.2 / 30) / 0.002), 1e-4);
    near_relative("none", trend_passage_unsure_cdf(30, 0.2, 0.005, 0.002, 0),
                  normal_cdf((0.005 - 0.2 / 30) / 0.002), 1e-12);
    ck_assert_double_lt(trend_passage_unsure_cdf(1, 1e6, 0, 1e-3, 1e-3), 1e-300);
    near_relative("far away from it", trend_passage_unsure_cdf(1e9, 1, -50, 1, 1), exp(2 * -50 + 2.), 0.1);
    for (double sd = 1e-12; sd < 1e12; sd *= 10)
        for (double drift = -1e6; drift <= 1e6; drift = drift < -1e-6  ? drift / 10
                                                        : drift < 1e-6 ? 1e-5
                                                                       : 10 * drift) {
            double p = trend_passage_unsure_cdf(30, 0.2, drift, fabs(drift) / 2 + 1e-9, sd);
            ck_assert_msg(p >= 0 && p <= 1, "drift %g, diffusion %g: %g", drift, sd, p);
        }
}
END_TEST

static void add_unsure_tests(TCase *cases)
{
    tcase_add_loop_test(cases, an_unsure_drift_is_the_mixture_over_all_drifts, 0, DRIFT_CASES);
    tcase_add_loop_test(cases, units_change_nothing, 0, DRIFT_CASES);
    tcase_add_loop_test(cases, an_unsure_passage_only_gets_likelier, 0, DRIFT_CASES);
    tcase_add_loop_test(cases, arrived_and_not_arrived_add_to_one, 0, DRIFT_CASES);
    tcase_add_test(cases, nothing_overflows_however_small_the_diffusion);
}

static void add_passage_tests(TCase *cases)
{
    tcase_add_unchecked_fixture(cases, read_lasers, NULL);
    tcase_add_test(cases, lasers_reach_ten_per_cent);
    tcase_add_test(cases, lines_through_the_lasers_reach_ten_per_cent);
    tcase_add_test(cases, inverse_gaussian_values);
    tcase_add_test(cases, a_steep_drift_overflows_nothing);
    tcase_add_test(cases, without_drift_the_way_may_never_end);
    tcase_add_test(cases, without_noise_the_way_ends_on_the_day);
    tcase_add_test(cases, passage_and_its_quantile_are_inverse);
}

int main(void)
{
    Suite *suite = suite_create("trend_passage");
    TCase *passage = tcase_create("passage"), *unsure = tcase_create("unsure");

    near_start();
    add_passage_tests(passage);
    add_unsure_tests(unsure);
    suite_add_tcase(suite, passage);
    suite_add_tcase(suite, unsure);
    return near_run(suite, "trend_passage");
}
