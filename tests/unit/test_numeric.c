#include "numeric.h"

#include "near.h"

/* R 4.2.2: qchisq, qnorm, pnorm(log.p = TRUE), pgamma, lgamma, dnbinom. */
START_TEST(special_functions_agree_with_r)
{
    near_relative("qchisq(.95, 2)", chi_square_quantile(0.95, 2), 5.99146454710798, 1e-12);
    near_relative("qchisq(.05, 2)", chi_square_quantile(0.05, 2), 0.102586588775101, 1e-12);
    near_relative("qchisq(.025, 20)", chi_square_quantile(0.025, 20), 9.59077739226487, 1e-12);
    near_relative("qchisq(.975, 20)", chi_square_quantile(0.975, 20), 34.1696069028383, 1e-12);
    near_relative("qchisq(.05, 54)", chi_square_quantile(0.05, 54), 38.1162180624794, 1e-12);
    near_relative("qchisq(.95, 54)", chi_square_quantile(0.95, 54), 72.1532161670231, 1e-12);
    near_relative("qchisq(.99, 1000)", chi_square_quantile(0.99, 1000), 1106.96899435222, 1e-12);
    near_relative("qnorm(.975)", normal_quantile(0.975), 1.95996398454005, 1e-12);
    near_relative("qnorm(.995)", normal_quantile(0.995), 2.5758293035489, 1e-12);
    near_relative("qnorm(1e-12)", normal_quantile(1e-12), -7.03448382530113, 1e-12);
    near_relative("log pnorm(-40)", normal_log_cdf(-40), -804.608442013754, 1e-12);
    near_relative("pnorm(-10)", normal_cdf(-10), 7.61985302416053e-24, 1e-12);
    near_relative("log pnorm(-10)", normal_log_cdf(-10), log(7.61985302416053e-24), 1e-12);
    near_relative("upper tail over density at 0", normal_mills(0), sqrt(M_PI / 2), 1e-12);
    near_relative("at 40", log(normal_mills(40)) + log(normal_density(0)) - 800, -804.608442013754, 1e-12);
    near_relative("lgamma(2.5)", gamma_log(2.5), 0.284682870472919, 1e-12);
    near_relative("lgamma(171.5)", gamma_log(171.5), 709.143163030928, 1e-12);
    near_relative("P(.5, .5)", gamma_share(0.5, 0.5), 0.682689492137086, 1e-12);
    near_relative("P(2.5, 1)", gamma_share(2.5, 1), 0.15085496391539, 1e-12);
    near_relative("P(10, 12)", gamma_share(10, 12), 0.757607838329488, 1e-12);
    near_relative("P(100, 90)", gamma_share(100, 90), 0.15822098918643, 1e-12);
    near_relative("P(.4, 1e-8)", gamma_share(0.4, 1e-8), 0.000711127096845996, 1e-12);
    near_relative("above", chi_square_above(5.99146454710798, 2), 0.05, 1e-12);
    /* size 1.5 and mean 2: variance 2 + 2^2 / 1.5 */
    near_relative("dnbinom(3)", count_probability(3, 2, 2 + 4 / 1.5), 0.114516677091774, 1e-12);
}
END_TEST

START_TEST(counts_without_extra_variance_are_poisson)
{
    double factorial = 1, sum = 0;
    for (int k = 0; k <= 40; k++) {
        factorial *= k ? k : 1;
        near_relative("Poisson", count_probability(k, 3, 3), exp(-3) * pow(3, k) / factorial, 1e-12);
        sum += count_probability(k, 3, 2);
    }
    near_absolute("sum", sum, 1, 1e-12);
    ck_assert(count_probability(0, 0, 0) == 1 && count_probability(1, 0, 0) == 0);
    ck_assert(count_probability(-1, 3, 3) == 0);
}
END_TEST

START_TEST(an_argument_outside_the_domain_is_not_a_number)
{
    ck_assert(isnan(chi_square_quantile(2, 3)));
    ck_assert(isnan(count_probability(1, D_NAN, 1)));
}
END_TEST

START_TEST(a_positive_matrix_is_solved_and_inverted)
{
    /* 4 2; 2 3: its inverse is 3 -2; -2 4 over 8 */
    double a[] = {4, 2, 2, 3}, b[4], x[] = {2, 7}, indefinite[] = {1, 2, 2, 1};
    ck_assert(numeric_solve(a, 2, x));
    near_relative("first", x[0], -1, 1e-14);
    near_relative("second", x[1], 3, 1e-14);
    ck_assert(numeric_inverse(a, 2, b));
    near_relative("inverse", b[0], 3 / 8., 1e-14);
    near_relative("inverse", b[1], -2 / 8., 1e-14);
    near_relative("inverse", b[2], -2 / 8., 1e-14);
    near_relative("inverse", b[3], 4 / 8., 1e-14);
    ck_assert(!numeric_inverse(indefinite, 2, b));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("numeric");
    TCase *cases = tcase_create("special functions");

    near_start();
    tcase_add_test(cases, special_functions_agree_with_r);
    tcase_add_test(cases, counts_without_extra_variance_are_poisson);
    tcase_add_test(cases, an_argument_outside_the_domain_is_not_a_number);
    tcase_add_test(cases, a_positive_matrix_is_solved_and_inverted);
    suite_add_tcase(suite, cases);
    return near_run(suite, "numeric");
}
