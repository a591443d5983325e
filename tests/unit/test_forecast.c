#include "forecast.h"
#include "near.h"
#include "numeric.h"

#include <string.h>

enum { ROWS = 4000 };

/* Made-up drives of one fan: what each witness says of a week, the longer spans alike. */
static struct forecast_row *rows_of(struct arena *mem, size_t n, double true_weight, unsigned dice)
{
    struct forecast_row *rows = arena_array(mem, struct forecast_row, n);
    for (size_t i = 0; i < n; i++) {
        struct fan_witnesses *fan = arena_alloc(mem, sizeof *fan);
        double u[2];
        for (int k = 0; k < 2; k++) {
            dice = dice * 1664525u + 1013904223u;
            u[k] = (double)(dice >> 8) / 16777216;
        }
        double a_day = 0.001 + 0.01 * u[0] * u[0];
        for (int s = 0; s < FORECAST_SPANS; s++) {
            for (int k = 0; k < WITNESSES; k++)
                fan->hazard[s][k] = D_NAN;
            fan->hazard[s][WITNESS_RATE] = a_day * (forecast_ends[s] - forecast_begin(s));
        }
        double days = -log1p(-u[1]) / (true_weight * a_day);
        rows[i] = (struct forecast_row){.drive = (int)i, .fans = fan, .fan_count = 1};
        rows[i].signs = (struct signs){20000 * u[0], 1, D_INF};
        rows[i].outcome =
            days < 365 ? (struct replay_outcome){FATE_FAULT, days} : (struct replay_outcome){FATE_OPEN, 365};
    }
    return rows;
}

START_TEST(a_long_past_finds_the_weight)
{
    struct arena *mem = arena_new(SIZE_MAX);
    const struct forecast_row *rows = rows_of(mem, ROWS, 0.4, 7);
    struct calibration c = {.method = METHOD_COMBINED};
    forecast_fit(rows, ROWS, 365, &c.combination);
    double said = 0, came = 0;
    for (int i = 0; i < ROWS; i++) {
        said += forecast_row_probability(&c, METHOD_COMBINED, &rows[i], 1);
        came += rows[i].outcome.fate == FATE_FAULT && rows[i].outcome.days <= 30;
    }
    near_relative("within 30 days", said, came, 0.06);
    arena_free(mem);
}
END_TEST

START_TEST(no_past_leaves_the_sum)
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct combination prior, none, few;
    forecast_prior(&prior);
    forecast_fit(NULL, 0, 7, &none);
    forecast_fit(rows_of(mem, 3, 0.4, 7), 3, 7, &few);
    for (int i = 0; i < FORECAST_TERMS; i++) {
        near_absolute("none", none.term[i], prior.term[i], 1e-9);
        near_absolute("few", few.term[i], prior.term[i], 0.5);
    }
    arena_free(mem);
}
END_TEST

START_TEST(derivatives_are_those_of_the_hazard)
{
    struct combination c;
    const double hazard[WITNESSES] = {0.4, 0.3, 0.02, 0.05, 0.1};
    forecast_prior(&c);
    for (int i = 0; i < FORECAST_TERMS; i++)
        c.term[i] = 0.1 * (i % 7) - 0.3;
    double gradient[FORECAST_TERMS] = {0}, step = 1e-6;
    (void)forecast_combine(&c, 2, 0.5, hazard, gradient);
    for (int i = 0; i < FORECAST_TERMS; i++) {
        struct combination up = c, down = c;
        up.term[i] += step;
        down.term[i] -= step;
        double slope =
            (forecast_combine(&up, 2, 0.5, hazard, NULL) - forecast_combine(&down, 2, 0.5, hazard, NULL)) /
            (2 * step);
        near_absolute("slope", gradient[i], slope, 1e-8);
    }
}
END_TEST

START_TEST(probabilities_rise_with_the_horizon_and_parts_of_spans_join)
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct calibration c = {.method = METHOD_COMBINED};
    const struct forecast_row *rows = rows_of(mem, 50, 3, 11);
    forecast_fit(rows, 50, 7, &c.combination);
    for (int m = 0; m <= METHOD_COMBINED; m++)
        for (int s = 1; s < FORECAST_SPANS; s++)
            ck_assert_double_ge(forecast_row_probability(&c, (enum forecast_method)m, &rows[0], s),
                                forecast_row_probability(&c, (enum forecast_method)m, &rows[0], s - 1));
    const double nothing[WITNESSES] = {0, 0, 0, 0, 0};
    double before = 0;
    for (double share = 0; share <= 1; share += 0.01) {
        double h = forecast_combine(&c.combination, 1, share, nothing, NULL);
        ck_assert_double_ge(h, before);
        ck_assert_double_lt(h - before, 0.02);
        before = h;
    }
    arena_free(mem);
}
END_TEST

START_TEST(rivals_are_shares_of_their_classes)
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct calibration c = {.method = METHOD_AGE};
    struct forecast_row *rows = rows_of(mem, ROWS, 1, 5);
    forecast_fit_rival(rows, ROWS, 365, RIVAL_AGE, &c.rivals[RIVAL_AGE]);
    double cases = 0, faults = 0;
    const struct forecast_row *one = NULL;
    for (int i = 0; i < ROWS; i++)
        if (forecast_class(RIVAL_AGE, &rows[i].signs) == 2) {
            one = &rows[i];
            cases++;
            faults += rows[i].outcome.fate == FATE_FAULT && rows[i].outcome.days <= 7;
        }
    near_absolute("within a week", forecast_row_probability(&c, METHOD_AGE, one, 0), faults / cases, 0.01);
    const struct signs unknown = {D_NAN, D_NAN, D_INF};
    ck_assert_int_eq(forecast_class(RIVAL_AGE, &unknown), RIVAL_CLASSES - 1);
    ck_assert_int_eq(forecast_class(RIVAL_SPEED, &unknown), RIVAL_CLASSES - 1);
    ck_assert_int_eq(forecast_class(RIVAL_WARNINGS, &unknown), RIVAL_CLASSES - 2);
    arena_free(mem);
}
END_TEST

START_TEST(methods_have_words)
{
    for (int m = 0; m < FORECAST_METHODS; m++) {
        enum forecast_method back;
        ck_assert(forecast_method_parse(forecast_method_word((enum forecast_method)m), &back));
        ck_assert_int_eq(back, m);
    }
    enum forecast_method none;
    ck_assert(!forecast_method_parse("by dice", &none));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("forecast");
    TCase *cases = tcase_create("combination");

    near_start();
    tcase_add_test(cases, a_long_past_finds_the_weight);
    tcase_add_test(cases, no_past_leaves_the_sum);
    tcase_add_test(cases, derivatives_are_those_of_the_hazard);
    tcase_add_test(cases, probabilities_rise_with_the_horizon_and_parts_of_spans_join);
    tcase_add_test(cases, rivals_are_shares_of_their_classes);
    tcase_add_test(cases, methods_have_words);
    suite_add_tcase(suite, cases);
    return near_run(suite, "forecast");
}
