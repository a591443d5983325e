#include "trend_change.h"

#include "near.h"
#include "numeric.h"
#include "trend.h"

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

/* The second column of a file in data/trend; its first is counted from 0. */
static size_t read_series(const char *name, double *x, double *y, size_t room)
{
    char path[500], line[100];
    size_t n = 0;
    snprintf(path, sizeof path, "%s/trend/%s", TEST_DATA, name);
    FILE *file = fopen(path, "r");
    ck_assert_msg(file, "cannot open %s", path);
    while (n < room && fgets(line, sizeof line, file)) {
        const char *comma = strchr(line, ',');
        if (comma && sscanf(comma, ",%lf", &y[n]) == 1) {
            x[n] = (double)n;
            n++;
        }
    }
    fclose(file);
    return n;
}

/* The flow fell after 1898 (Cobb 1978 and all since), from 1098 to 850. */
START_TEST(the_nile_fell_after_1898)
{
    double year[100], flow[100];
    size_t n = read_series("nile.csv", year, flow, 100), from[100];
    const struct segments how = {
        .least = 2, .noise = 128, .penalty = 3 * log(100)}; /* R: sd around the two levels */

    ck_assert_uint_eq(n, 100);
    ck_assert_uint_eq(trend_segments(&how, year, flow, n, from, mem), 2);
    ck_assert_uint_eq(from[1], 1899 - 1871);
    struct step s = trend_last_step(&how, year, flow, n, 100, mem);
    ck_assert_uint_eq(s.at, 28);
    near_absolute("before", s.before, 1097.75, 1e-9); /* R: mean(Nile[1:28]), mean(Nile[29:100]) */
    near_absolute("after", s.after, 849.9722, 5e-5);
    ck_assert_uint_eq(trend_last_step(&how, year, flow, n, 300, mem).at, 0);
}
END_TEST

/* Cost of the best division by trying all. */
static double least_cost(const struct segments *how, const double *x, const double *y, size_t n)
{
    double best = D_INF;
    for (unsigned cuts = 0; cuts < 1u << (n - 1); cuts++) {
        double cost = 0;
        size_t from = 0;
        for (size_t k = 1; k <= n; k++) {
            if (k < n && !(cuts >> (k - 1) & 1))
                continue;
            double m = (double)(k - from), sx = 0, sy = 0, sxx = 0, sxy = 0, rest = 0;
            for (size_t i = from; i < k; i++) {
                sx += x[i];
                sy += y[i];
            }
            for (size_t i = from; i < k; i++) {
                sxx += (x[i] - sx / m) * (x[i] - sx / m);
                sxy += (x[i] - sx / m) * (y[i] - sy / m);
            }
            double slope = how->sloped && sxx > 0 ? sxy / sxx : 0;
            for (size_t i = from; i < k; i++) {
                double off = y[i] - sy / m - slope * (x[i] - sx / m);
                rest += off * off;
            }
            cost += k - from < how->least ? D_INF : how->penalty + rest / (how->noise * how->noise);
            from = k;
        }
        best = fmin(best, cost);
    }
    return best;
}

static double cost_of(const struct segments *how, const double *x, const double *y, const size_t *from,
                      size_t count, size_t n)
{
    double cost = 0;
    for (size_t k = 0; k < count; k++) {
        size_t to = k + 1 < count ? from[k + 1] : n;
        struct segments whole = *how;
        whole.least = to - from[k];
        cost += least_cost(&whole, x + from[k], y + from[k], to - from[k]);
    }
    return cost;
}

START_TEST(no_division_is_better)
{
    double x[11], y[11];
    unsigned seed = 5;
    for (int round = 0; round < 60; round++) {
        size_t from[11];
        for (size_t i = 0; i < 11; i++) {
            seed = seed * 1103515245u + 12345u;
            x[i] = (i ? x[i - 1] : 0) + 1 + (seed >> 16) % 3;
            seed = seed * 1103515245u + 12345u;
            y[i] = 1e4 + (seed >> 16) % 20 + (i > 5 ? 15 : 0);
        }
        const struct segments how = {.sloped = round % 2, .least = 1 + round % 3, .noise = 3, .penalty = 4};
        size_t count = trend_segments(&how, x, y, 11, from, mem);
        near_relative("cost", cost_of(&how, x, y, from, count, 11), least_cost(&how, x, y, 11), 1e-8);
    }
}
END_TEST

START_TEST(a_step_in_a_falling_series_is_found_and_a_bend_is_none)
{
    double x[80], y[80];
    const struct segments how = {.sloped = true, .least = 3, .noise = 2, .penalty = 3 * log(80)};
    for (int i = 0; i < 80; i++) {
        x[i] = i;
        y[i] = 3000 - 3 * i + 2 * sin(i * 1.7) + (i >= 50 ? 120 : 0);
    }
    struct step s = trend_last_step(&how, x, y, 80, 60, mem);
    ck_assert_uint_eq(s.at, 50);
    near_absolute("height", s.after - s.before, 120, 3);
    for (int i = 0; i < 80; i++)
        y[i] = 3000 - (i > 40 ? 12 * (i - 40) : 0) + 2 * sin(i * 1.7);
    ck_assert_uint_eq(trend_last_step(&how, x, y, 80, 60, mem).at, 0);
}
END_TEST

START_TEST(units_and_few_points)
{
    double x[30], y[30], u[30], v[30];
    size_t from[30], other[30];
    struct segments how = {.sloped = true, .least = 3, .noise = 1, .penalty = 10};
    for (int i = 0; i < 30; i++) {
        x[i] = i;
        y[i] = i < 12 ? 50 + sin(i) : 20 - i + sin(i);
        u[i] = 24 * i - 1000;
        v[i] = 7 * y[i] + 3e5;
    }
    size_t n = trend_segments(&how, x, y, 30, from, mem);
    how.noise = 7;
    ck_assert_uint_eq(trend_segments(&how, u, v, 30, other, mem), n);
    ck_assert(memcmp(from, other, n * sizeof *from) == 0 && n == 2);
    ck_assert_uint_eq(trend_segments(&how, x, y, 2, from, mem), 1); /* fewer than a segment needs */
    ck_assert_uint_eq(trend_segments(&how, x, y, 0, from, mem), 0);
}
END_TEST

/* Series of the Numenta Anomaly Benchmark, each hour against the same hour of all days: what a fan is to its
 * peers. */
static const struct {
    const char *file;
    size_t window[2]; /* hours from the series' beginning that the benchmark labels; 0: nothing */
} made_up[] = {{"daily_small_noise.csv", {0, 0}},
               {"daily_flatmiddle.csv", {9 * 24 + 7, 10 * 24 + 17}}, /* 2014-04-10 07:15 to 04-11 16:45 */
               {"daily_jumpsdown.csv", {9 * 24 + 16, 11 * 24 + 2}}}; /* 2014-04-10 16:15 to 04-12 01:45 */

START_TEST(changes_lie_in_the_labelled_window)
{
    enum { HOURS = 14 * 24 };
    double x[HOURS], y[HOURS], same[14], usual[24];
    size_t n = read_series(made_up[_i].file, x, y, HOURS), from[HOURS];
    const struct segments how = {.least = 3, .noise = 6, .penalty = 3 * log(HOURS)};

    ck_assert_uint_eq(n, HOURS);
    for (int hour = 0; hour < 24; hour++) {
        for (int day = 0; day < 14; day++)
            same[day] = y[24 * day + hour];
        usual[hour] = trend_median(same, 14, mem);
    }
    for (int i = 0; i < HOURS; i++)
        y[i] -= usual[i % 24];
    size_t count = trend_segments(&how, x, y, n, from, mem);
    ck_assert_uint_eq(count > 1, made_up[_i].window[1] > 0);
    for (size_t k = 1; k < count; k++) {
        ck_assert_uint_ge(from[k], made_up[_i].window[0]);
        ck_assert_uint_le(from[k], made_up[_i].window[1] + 6); /* what follows begins after it */
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("trend_change");
    TCase *cases = tcase_create("change");

    near_start();
    tcase_add_checked_fixture(cases, make_arena, drop_arena);
    tcase_add_test(cases, the_nile_fell_after_1898);
    tcase_add_test(cases, no_division_is_better);
    tcase_add_test(cases, a_step_in_a_falling_series_is_found_and_a_bend_is_none);
    tcase_add_test(cases, units_and_few_points);
    tcase_add_loop_test(cases, changes_lie_in_the_labelled_window, 0, sizeof made_up / sizeof *made_up);
    suite_add_tcase(suite, cases);
    return near_run(suite, "trend_change");
}
