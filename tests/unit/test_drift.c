#include "drift.h"

#include "near.h"
#include "numeric.h"
#include "trend_passage.h"

#include <stdint.h>
#include <string.h>

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new(256 << 20);
}

static void drop_arena(void)
{
    arena_free(mem);
}

/* ---- dice that fall alike in every run ---- */

static uint64_t dice_state;

static double even(void)
{
    dice_state = dice_state * 6364136223846793005u + 1442695040888963407u;
    uint64_t mixed = (dice_state ^ (dice_state >> 29)) * 0x9e3779b97f4a7c15u;
    return ((double)(mixed >> 11) + 0.5) / 9007199254740992.0;
}

static double bell(void)
{
    return normal_quantile(even());
}

/* ---- level and drift ---- */

/*
 * Exponential degradation with Bayesian updating (the model of Gebraeel and others, IIE Transactions 2005):
 * the logarithm of a signal is a line with noise of 0.1; R 4.2.2, all values at once.
 */
START_TEST(a_line_is_updated_value_by_value)
{
    static const double t[] = {1, 2, 3, 4, 5, 6, 8, 10};
    static const double y[] = {0.21, 0.18, 0.36, 0.35, 0.47, 0.44, 0.66, 0.71};
    static const struct {
        double t, p;
    } reached[] = {{20, 0.001823302515}, {25, 0.311944149364}, {30, 0.843910396728}, {40, 0.997128307756}};
    struct drift_state s = drift_start(0, 0.2, 0.05, 0.01);

    for (int i = 0; i < 8; i++) {
        drift_pass(&s, t[i] - (i ? t[i - 1] : 0), 0);
        drift_see(&s, y[i], 0.1);
    }
    double start_var = s.level_var - 20 * s.covariance + 100 * s.drift_var;
    double together = s.covariance - 10 * s.drift_var;
    near_relative("start", s.level - 10 * s.drift, 0.14812289113834, 1e-12);
    near_relative("drift", s.drift, 0.05533297815663, 1e-12);
    near_relative("sd of the start", sqrt(start_var), 0.05021707451555, 1e-12);
    near_relative("sd of the drift", sqrt(s.drift_var), 0.00765533510484, 1e-12);
    near_relative("correlation", together / sqrt(start_var * s.drift_var), -0.7206484489462571, 1e-10);
    for (int i = 0; i < 4; i++) {
        struct drift_state later = s;
        drift_pass(&later, reached[i].t - 10, 0);
        near_relative("beyond the limit", normal_cdf((later.level - log(5)) / sqrt(later.level_var)),
                      reached[i].p, 1e-9);
        near_absolute("by way of the passage", drift_reach(&s, log(5), 0, 0, reached[i].t - 10), reached[i].p,
                      1e-4);
    }
}
END_TEST

/* Logarithm of the density of values whose law is normal with some means and covariances. */
static double joint_log_density(const double *off, double covariance[8][8], size_t n)
{
    double factor[8][8] = {{0}}, sum = 0, z[8];
    for (size_t i = 0; i < n; i++) {
        double rest = off[i];
        for (size_t j = 0; j <= i; j++) {
            double c = covariance[i][j];
            for (size_t k = 0; k < j; k++)
                c -= factor[i][k] * factor[j][k];
            factor[i][j] = i == j ? sqrt(c) : c / factor[j][j];
            if (j < i)
                rest -= factor[i][j] * z[j];
        }
        z[i] = rest / factor[i][i];
        sum -= z[i] * z[i] / 2 + log(factor[i][i]) + log(2 * M_PI) / 2;
    }
    return sum;
}

START_TEST(the_likelihood_is_that_of_all_values_together)
{
    static const double t[] = {0, 5, 10, 17, 22, 40}, y[] = {0.01, 0.03, 0.02, 0.06, 0.09, 0.13};
    const double level_sd = 0.02, drift = 0.002, drift_sd = 0.003, diffusion = 0.004, noise = 0.006;
    double covariance[8][8], off[8];
    struct drift_state s = drift_start(0, level_sd, drift, drift_sd);

    for (size_t i = 0; i < 6; i++) {
        drift_pass(&s, i ? t[i] - t[i - 1] : 0, diffusion);
        drift_see(&s, y[i], noise);
        off[i] = y[i] - drift * t[i];
        for (size_t j = 0; j < 6; j++)
            covariance[i][j] = level_sd * level_sd + drift_sd * drift_sd * t[i] * t[j] +
                               diffusion * diffusion * fmin(t[i], t[j]) + (i == j ? noise * noise : 0);
    }
    near_relative("log likelihood", drift_log_likelihood(&s) - 6 * log(2 * M_PI) / 2,
                  joint_log_density(off, covariance, 6), 1e-10);
}
END_TEST

/* ---- ways ---- */

static const struct drift_law law = {.noise = 0.001,
                                     .steady_sd = 1e-4,
                                     .steady_diffusion = 4e-4,
                                     .falling_mean = 0.003,
                                     .falling_sd = 0.0012,
                                     .falling_diffusion = 0.0015,
                                     .restless = 0.05,
                                     .leaning = 0.05,
                                     .share = 0.1};

struct made {
    double days[DRIFT_VALUES], lost[DRIFT_VALUES];
    bool falling;
    double level, drift, fallen_days, power, diffusion; /* at the last value */
};

/* A fan of the law, seen every 5 days; a fall begins at one of the values or before, evenly or faster and
 * faster. */
static struct drift_series make(const struct drift_law *l, struct made *m)
{
    double kind = even(), at = 0;
    int begins = (int)(even() * (DRIFT_VALUES - 1 + DRIFT_BEFORE)) - DRIFT_BEFORE;

    *m = (struct made){.power = 1, .diffusion = l->steady_diffusion, .drift = l->steady_sd * bell()};
    m->falling = kind < l->share;
    double fall_drift = l->falling_mean + l->falling_sd * bell(), power = even() < 0.5 ? 1 : 2;
    double from = begins == -2 ? -75 : begins == -1 ? -25 : 5 * begins;
    if (kind >= l->share && kind < l->share + l->restless)
        m->diffusion = l->falling_diffusion;
    if (kind >= 1 - l->leaning)
        m->drift = 0.2 * l->falling_mean * bell();
    for (int k = 0; k < DRIFT_VALUES; k++) {
        m->days[k] = 5 * k;
        double passed = k ? 5 : 0;
        if (m->falling && m->days[k] > from) {
            m->power = power;
            m->diffusion = l->falling_diffusion;
            m->drift = fall_drift;
            m->fallen_days = m->days[k] - from;
            passed =
                k ? drift_clock(power, m->fallen_days) - drift_clock(power, fmax(0, m->fallen_days - 5)) : 0;
        }
        at += m->drift * passed + m->diffusion * sqrt(passed) * bell();
        m->lost[k] = at + l->noise * bell();
    }
    m->level = at;
    return (struct drift_series){m->days, m->lost, DRIFT_VALUES, 0, 0};
}

/* Whether the path goes on to the limit; between its points it may touch it as a bridge does. */
static bool arrives(const struct made *m, double limit, int days)
{
    enum { A_DAY = 4 };
    double at = m->level;
    for (int i = 0; i < days * A_DAY; i++) {
        double from = m->fallen_days + (double)i / A_DAY, to = from + 1.0 / A_DAY;
        double passed = m->falling ? drift_clock(m->power, to) - drift_clock(m->power, from) : 1.0 / A_DAY;
        double next = at + m->drift * passed + m->diffusion * sqrt(passed) * bell();
        if (next >= limit ||
            even() < exp(-2 * (limit - at) * (limit - next) / (m->diffusion * m->diffusion * passed)))
            return true;
        at = next;
    }
    return false;
}

/* Fans of the law, judged by the law: of those given some chance as many arrive. */
START_TEST(chances_come_true)
{
    enum { FANS = 12000, BINS = 10, DAYS = 60 };
    double expected[BINS + 1] = {0}, variance[BINS + 1] = {0};
    int arrived[BINS + 1] = {0};

    dice_state = 42;
    for (int i = 0; i < FANS; i++) {
        struct made m;
        struct drift_way ways[DRIFT_WAYS];
        struct drift_series s = make(&law, &m);
        if (m.level > 0.15)
            continue;
        size_t n = drift_judge(&law, &s, ways);
        double p = drift_chance(ways, n, 0.2, 0, DAYS);
        bool came = arrives(&m, 0.2, DAYS);
        int bin = (int)fmin(BINS - 1, p * BINS);
        for (int b = bin;; b = BINS) { /* its own, and all together */
            expected[b] += p;
            variance[b] += p * (1 - p);
            arrived[b] += came;
            if (b == BINS)
                break;
        }
    }
    for (int b = 0; b <= BINS; b++)
        near_absolute("arrived", arrived[b], expected[b], 3.3 * sqrt(variance[b]) + 1);
    ck_assert_int_gt(arrived[BINS], 300);
}
END_TEST

START_TEST(a_limit_that_is_not_known_exactly_is_reached_by_some_sooner)
{
    struct drift_state s = drift_start(0.1, 0, 0.003, 0);
    double sure = drift_reach(&s, 0.2, 0, 0.001, 30), unsure = drift_reach(&s, 0.2, 0.02, 0.001, 30);
    ck_assert_double_lt(sure, 0.05);
    ck_assert_double_gt(unsure, 0.2);
    near_relative("as the drift alone", drift_reach(&s, 0.2, 0, 0.001, 30),
                  trend_passage_cdf(30, 0.1, 0.003, 0.001), 1e-12);
    s = drift_start(0.25, 0.001, 0.003, 0.001);
    near_absolute("it is there", drift_reach(&s, 0.2, 0, 0.001, 1), 1, 1e-5);
}
END_TEST

START_TEST(weights_rates_and_limits_fit_together)
{
    dice_state = 9;
    for (int i = 0; i < 300; i++) {
        struct made m;
        struct drift_way ways[DRIFT_WAYS];
        struct drift_series s = make(&law, &m);
        s.n = 1 + (size_t)i % DRIFT_VALUES;
        size_t n = drift_judge(&law, &s, ways);
        double sum = 0, limits[2], before = 0;
        for (size_t k = 0; k < n; k++)
            sum += ways[k].weight;
        near_relative("weights", sum, 1, 1e-12);
        for (double q = 0.05; q < 1; q += 0.1)
            near_relative("rate", drift_rate_cdf(ways, n, drift_rate_quantile(ways, n, q)), q, 1e-9);
        near_relative("today",
                      ways[0].weight > 0.999 ? drift_lost_quantile(ways, n, 0, 0.5) : ways[0].state.level,
                      ways[0].state.level, 1e-3);
        for (int days = 1; days < 400; days *= 2) {
            ck_assert_double_lt(drift_lost_quantile(ways, n, days, 0.1),
                                drift_lost_quantile(ways, n, days, 0.9));
            double p = drift_chance(ways, n, 0.2, 0.01, days);
            drift_chance_limits(ways, n, 0.2, 0.01, days, limits);
            ck_assert(p >= before - 1e-12 && p <= 1 && limits[0] <= limits[1] && limits[0] >= 0 &&
                      limits[1] <= 1);
            before = p;
        }
    }
}
END_TEST

START_TEST(twice_the_loss_in_twice_the_units_is_the_same)
{
    dice_state = 5;
    for (int i = 0; i < 100; i++) {
        struct made m, twice;
        struct drift_way ways[DRIFT_WAYS], other[DRIFT_WAYS];
        struct drift_series s = make(&law, &m), t;
        struct drift_law l = law;
        l.noise *= 2;
        l.steady_sd *= 2;
        l.steady_diffusion *= 2;
        l.falling_mean *= 2;
        l.falling_sd *= 2;
        l.falling_diffusion *= 2;
        twice = m;
        for (int k = 0; k < DRIFT_VALUES; k++) {
            twice.lost[k] = 2 * m.lost[k] + 7;
            twice.days[k] = m.days[k] + 20000;
        }
        t = (struct drift_series){twice.days, twice.lost, s.n, 0, 0};
        size_t n = drift_judge(&law, &s, ways);
        ck_assert_uint_eq(drift_judge(&l, &t, other), n);
        near_absolute("chance", drift_chance(other, n, 7.4, 0, 60), drift_chance(ways, n, 0.2, 0, 60), 1e-8);
    }
}
END_TEST

START_TEST(one_value_says_nothing_of_the_drift)
{
    double day = 0, lost = 0.05;
    struct drift_way ways[DRIFT_WAYS];
    size_t n = drift_judge(&law, &(struct drift_series){&day, &lost, 1, 0.01, 0}, ways);
    ck_assert(drift_moving(ways, n) <= law.leaning / (1 - law.share) + 1e-12 && ways[0].state.level == 0.05);
    ck_assert_double_lt(drift_chance(ways, n, 0.2, 0, 30), 1e-6);
    near_relative("either way", drift_rate_cdf(ways, n, 0), 0.5, 1e-12);
    drift_wait(ways, n, 10);
    ck_assert_double_eq(ways[0].state.level, 0.05);
}
END_TEST

/* ---- the law of many ---- */

START_TEST(the_law_of_many_fans_is_found)
{
    enum { FANS = 2000 };
    struct made *m = arena_array(mem, struct made, FANS);
    struct drift_series *s = arena_array(mem, struct drift_series, FANS);

    dice_state = 77;
    for (int i = 0; i < FANS; i++)
        s[i] = make(&law, &m[i]);
    struct drift_law got = drift_pool(&drift_assumed, s, FANS, mem);
    near_relative("noise", got.noise, law.noise, 0.1);
    near_relative("diffusion", got.steady_diffusion, law.steady_diffusion, 0.35); /* a fifth is not calm */
    near_relative("spread of steady drifts", got.steady_sd, law.steady_sd, 0.3);
    near_relative("falls", got.falling_mean, law.falling_mean, 0.15);
    near_relative("their spread", got.falling_sd, law.falling_sd, 0.3);
    near_relative("their diffusion", got.falling_diffusion, law.falling_diffusion, 0.35);
    near_relative("share", got.share, law.share, 0.25);

    struct drift_series turned[FANS];
    for (int i = 0; i < FANS; i++)
        turned[i] = s[FANS - 1 - i];
    near_relative("in any order", drift_pool(&drift_assumed, turned, FANS, mem).falling_mean,
                  got.falling_mean, 1e-9);
}
END_TEST

START_TEST(without_falls_the_assumption_stays)
{
    enum { FANS = 200 };
    struct drift_law calm = law;
    struct made *m = arena_array(mem, struct made, FANS);
    struct drift_series *s = arena_array(mem, struct drift_series, FANS);

    calm.share = 0;
    dice_state = 3;
    for (int i = 0; i < FANS; i++)
        s[i] = make(&calm, &m[i]);
    struct drift_law got = drift_pool(&drift_assumed, s, FANS, mem);
    near_relative("falls", got.falling_mean, drift_assumed.falling_mean, 0.25);
    ck_assert_double_lt(got.share, drift_assumed.share);
    got = drift_pool(&drift_assumed, s, 0, mem);
    ck_assert_double_eq(got.falling_mean, drift_assumed.falling_mean);
    ck_assert_double_eq(got.noise, drift_assumed.noise);
}
END_TEST

/* The lasers of Meeker & Escobar 1998 (table C.17): what the first half of each foretells of its passage of
 * 10 %, which lines through all of it place at these hours. */
START_TEST(half_of_a_laser_foretells_its_passage)
{
    enum { UNITS = 15, HALF = 9, A_DAY = 100 }; /* their 100 hours are as fast as a fan's day */
    static const double hours[UNITS] = {3702, 4194, 5847, 6172, 5301, 3592, 6051, 6538,
                                        5110, 3306, 5326, 4995, 4721, 5689, 6102};
    static double days[UNITS][DRIFT_VALUES], lost[UNITS][DRIFT_VALUES];
    struct drift_series s[UNITS];
    FILE *file = fopen(TEST_DATA "/trend/gaas_laser.csv", "r");
    char line[100];
    double rise, at;
    int unit, early = 0, late = 0;

    ck_assert_ptr_nonnull(file);
    while (fgets(line, sizeof line, file))
        if (sscanf(line, "%lf,%d,%lf", &rise, &unit, &at) == 3 && at < 250 * HALF) {
            days[unit - 101][(int)(at / 250)] = at / A_DAY;
            lost[unit - 101][(int)(at / 250)] = rise / 100;
        }
    fclose(file);
    for (int i = 0; i < UNITS; i++)
        s[i] = (struct drift_series){days[i], lost[i], HALF, 0, 0};
    struct drift_law pooled = drift_pool(&drift_assumed, s, UNITS, mem);
    for (int i = 0; i < UNITS; i++) {
        struct drift_way ways[DRIFT_WAYS];
        size_t n = drift_judge(&pooled, &s[i], ways);
        double p = drift_chance(ways, n, 0.1, 0, (hours[i] - 250 * (HALF - 1)) / A_DAY);
        early += p < 0.05;
        late += p > 0.95;
    }
    ck_assert_int_le(early + late, 3);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("drift");
    TCase *cases = tcase_create("drift");

    near_start();
    tcase_set_timeout(cases, 60);
    tcase_add_checked_fixture(cases, make_arena, drop_arena);
    tcase_add_test(cases, a_line_is_updated_value_by_value);
    tcase_add_test(cases, the_likelihood_is_that_of_all_values_together);
    tcase_add_test(cases, chances_come_true);
    tcase_add_test(cases, a_limit_that_is_not_known_exactly_is_reached_by_some_sooner);
    tcase_add_test(cases, weights_rates_and_limits_fit_together);
    tcase_add_test(cases, twice_the_loss_in_twice_the_units_is_the_same);
    tcase_add_test(cases, one_value_says_nothing_of_the_drift);
    tcase_add_test(cases, the_law_of_many_fans_is_found);
    tcase_add_test(cases, without_falls_the_assumption_stays);
    tcase_add_test(cases, half_of_a_laser_foretells_its_passage);
    suite_add_tcase(suite, cases);
    return near_run(suite, "drift");
}
