#include "near.h"
#include "numeric.h"
#include "score.h"

static struct arena *mem;

static void set_up(void)
{
    mem = arena_new(SIZE_MAX);
}

static void tear_down(void)
{
    arena_free(mem);
}

enum { TWELVE = 12 };

/* Twelve made-up forecasts; the figures follow from the definitions, worked out beside the program. */
static const struct score_case *twelve(void)
{
    static const double p[TWELVE] = {.1, .2, .3, .8, .9, .4, .7, .1, .3, .6, .9, .2};
    static const bool o[TWELVE] = {0, 0, 1, 1, 1, 0, 1, 0, 0, 1, 1, 0};
    static struct score_case cases[TWELVE];
    for (int i = 0; i < TWELVE; i++)
        cases[i] = (struct score_case){p[i], 1, o[i], i};
    return cases;
}

START_TEST(the_brier_score_is_the_sum_of_its_parts)
{
    struct brier b = score_brier(twelve(), TWELVE, mem);
    near_relative("score", b.score, .0958333333333, 1e-10);
    near_relative("reliability", b.reliability, .0541666666667, 1e-10);
    near_relative("resolution", b.resolution, .208333333333, 1e-10);
    near_relative("uncertainty", b.uncertainty, .25, 1e-12);
    near_relative("skill", b.skill, .616666666667, 1e-10);
    near_absolute("sum", b.reliability - b.resolution + b.uncertainty, b.score, 1e-15);
}
END_TEST

START_TEST(a_weight_of_two_is_two_cases)
{
    struct score_case cases[TWELVE + 1];
    for (int i = 0; i < TWELVE; i++)
        cases[i] = twelve()[i];
    cases[TWELVE] = cases[2];
    struct brier twice = score_brier(cases, TWELVE + 1, mem);
    double area = score_area(cases, TWELVE + 1, mem), log_score = score_log(cases, TWELVE + 1);
    cases[2].weight = 2;
    struct brier heavy = score_brier(cases, TWELVE, mem);
    near_relative("score", heavy.score, twice.score, 1e-12);
    near_relative("reliability", heavy.reliability, twice.reliability, 1e-12);
    near_relative("skill", heavy.skill, twice.skill, 1e-12);
    near_relative("area", score_area(cases, TWELVE, mem), area, 1e-12);
    near_relative("log score", score_log(cases, TWELVE), log_score, 1e-12);
}
END_TEST

START_TEST(the_log_score_is_in_nats_and_stays_finite)
{
    const struct score_case cases[] = {{.25, 1, true, 0}, {.25, 1, false, 1}, {0, 1, true, 2}};
    near_relative("two", score_log(cases, 2), (log(4) + log(4.0 / 3)) / 2, 1e-12);
    ck_assert(isfinite(score_log(cases, 3)));
}
END_TEST

START_TEST(the_area_counts_pairs_and_half_of_ties)
{
    /* 36 pairs: .3 loses to .4 and ties with .3; all others are won */
    near_relative("area", score_area(twelve(), TWELVE, mem), 34.5 / 36, 1e-12);
    const struct score_case none[] = {{.1, 1, false, 0}, {.2, 1, false, 1}};
    ck_assert(isnan(score_area(none, 2, mem)));
}
END_TEST

START_TEST(precision_among_the_top_shares_what_is_tied)
{
    near_relative("top 2", score_precision(twelve(), TWELVE, 2, mem), 1, 1e-12);
    near_relative("top 6", score_precision(twelve(), TWELVE, 6, mem), 5.0 / 6, 1e-12);
    near_relative("top 7", score_precision(twelve(), TWELVE, 7, mem), 5.5 / 7, 1e-12); /* one of two at .3 */
    near_relative("more than there are", score_precision(twelve(), TWELVE, 99, mem), .5, 1e-12);
}
END_TEST

START_TEST(tenths_show_forecast_beside_what_came)
{
    struct score_tenth t[SCORE_TENTHS];
    score_tenths(twelve(), TWELVE, mem, t);
    ck_assert_uint_eq(t[1].count, 2);
    near_relative("forecast", t[3].forecast, .3, 1e-12);
    near_relative("observed", t[3].observed, .5, 1e-12);
    ck_assert_uint_eq(t[0].count + t[5].count, 0);
    ck_assert(isnan(t[0].observed));
    /* two independent ones at .9: 1.96 sqrt(2 .9 .1) / 2 */
    near_relative("error", t[9].error, NORMAL_95 * sqrt(2 * .9 * .1) / 2, 1e-12);
}
END_TEST

START_TEST(cases_of_one_cluster_are_not_independent)
{
    struct score_case cases[10];
    for (int i = 0; i < 10; i++)
        cases[i] = (struct score_case){.5, 1, true, 7};
    struct score_tenth t[SCORE_TENTHS];
    score_tenths(cases, 10, mem, t);
    near_relative("error", t[5].error, NORMAL_95 * 5 / 10, 1e-12);
    ck_assert_double_lt(t[5].observed - t[5].forecast, t[5].error);
}
END_TEST

static void check_concordance(const struct concordance *c, double concordant, double discordant, double value)
{
    near_absolute("concordant", c->concordant, concordant, 0);
    near_absolute("discordant", c->discordant, discordant, 0);
    near_relative("c", c->c, value, 1e-12);
}

/* R's survival::concordance, reverse = TRUE. */
START_TEST(concordance_counts_usable_pairs)
{
    static const struct score_life lives[] = {{1, .9, true},  {2, .8, true}, {2, .8, false}, {3, .5, true},
                                              {4, .6, false}, {5, .4, true}, {5, .4, true},  {6, .3, false},
                                              {7, .5, true},  {8, .1, false}};
    struct concordance c = score_concordance(lives, sizeof lives / sizeof *lives);
    check_concordance(&c, 25, 3, 26.0 / 30);
    near_absolute("tied risk", c.tied_risk, 2, 0);
    near_absolute("tied time", c.tied_time, 1, 0);
}
END_TEST

/* Ovarian cancer (Edmonson and others 1979) as in R's survival package: days, died, age. */
START_TEST(concordance_agrees_with_published_data)
{
    static const struct score_life lives[] = {
        {59, 72.3315, true},    {115, 74.4932, true},  {156, 66.4658, true},   {421, 53.3644, false},
        {431, 50.3397, true},   {448, 56.4301, false}, {464, 56.937, true},    {475, 59.8548, true},
        {477, 64.1753, false},  {563, 55.1781, true},  {638, 56.7562, true},   {744, 50.1096, false},
        {769, 59.6301, false},  {770, 57.0521, false}, {803, 39.2712, false},  {855, 43.1233, false},
        {1040, 38.8932, false}, {1106, 44.6, false},   {1129, 53.9068, false}, {1206, 44.2055, false},
        {1227, 59.589, false},  {268, 74.5041, true},  {329, 43.137, true},    {353, 63.2192, true},
        {365, 64.4247, true},   {377, 58.3096, false}};
    struct concordance c = score_concordance(lives, sizeof lives / sizeof *lives);
    check_concordance(&c, 171, 47, .78440366972477);
}
END_TEST

/* Remission of leukaemia (Miller 1997), R's survival package: 'aml'. */
static const struct score_life aml[] = {
    {9, 0, true},  {13, 0, true}, {13, 0, false}, {18, 0, true}, {23, 0, true},   {28, 0, false},
    {31, 0, true}, {34, 0, true}, {45, 0, false}, {48, 0, true}, {161, 0, false}, {5, 0, true},
    {5, 0, true},  {8, 0, true},  {8, 0, true},   {12, 0, true}, {16, 0, false},  {23, 0, true},
    {27, 0, true}, {30, 0, true}, {33, 0, true},  {43, 0, true}, {45, 0, true}};
enum { AML = sizeof aml / sizeof *aml };

/* The weighted Brier score of the pooled Kaplan-Meier curve: R's package pec. */
START_TEST(weights_stand_for_those_that_were_lost)
{
    double weights[AML], sum = 0;
    score_weights(aml, AML, 12, mem, weights);
    for (int i = 0; i < AML; i++) {
        double gone = aml[i].failed && aml[i].time <= 12;
        sum += weights[i] * (1 - .739130434783 - gone) * (1 - .739130434783 - gone);
    }
    near_relative("score at 12", sum / AML, .192816635161, 1e-9);

    score_weights(aml, AML, 45, mem, weights);
    near_relative("failed at 18: lost at 13 and 16", 1 / weights[3], .875, 1e-12);
    near_relative("failed at 45", 1 / weights[22], .7875, 1e-12);
    near_relative("seen beyond 45", 1 / weights[9], .7875, 1e-12);
    near_absolute("lost at 28", weights[5], 0, 0);
    score_weights(aml, AML, 46, mem, weights);
    near_relative("seen beyond 46", 1 / weights[9], .525, 1e-12);
    score_weights(aml, AML, 14, mem, weights);
    near_relative("seen beyond 14", 1 / weights[3], .9375, 1e-12);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("score");
    TCase *cases = tcase_create("forecasts");

    near_start();
    tcase_add_checked_fixture(cases, set_up, tear_down);
    tcase_add_test(cases, the_brier_score_is_the_sum_of_its_parts);
    tcase_add_test(cases, a_weight_of_two_is_two_cases);
    tcase_add_test(cases, the_log_score_is_in_nats_and_stays_finite);
    tcase_add_test(cases, the_area_counts_pairs_and_half_of_ties);
    tcase_add_test(cases, precision_among_the_top_shares_what_is_tied);
    tcase_add_test(cases, tenths_show_forecast_beside_what_came);
    tcase_add_test(cases, cases_of_one_cluster_are_not_independent);
    tcase_add_test(cases, concordance_counts_usable_pairs);
    tcase_add_test(cases, concordance_agrees_with_published_data);
    tcase_add_test(cases, weights_stand_for_those_that_were_lost);
    suite_add_tcase(suite, cases);
    return near_run(suite, "score");
}
