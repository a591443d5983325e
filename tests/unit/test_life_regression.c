#include "life_regression.h"

#include "life_data.h"
#include "near.h"
#include "numeric.h"

enum { MOST = 200, MOST_COVARIATES = 3 };

struct sample {
    struct lifetime life[MOST];
    double x[MOST * MOST_COVARIATES];
    size_t n;
};

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new(64 << 20);
}

static void drop_arena(void)
{
    arena_free(mem);
}

static const char *const names[] = {"first", "second", "third"};

static struct life_regression regress(const struct sample *s, size_t covariates)
{
    struct life_regression r;
    const struct life_covariates c = {covariates, names, s->x};
    life_regress(s->life, s->n, &c, mem, &r);
    return r;
}

static void add(struct sample *s, double exit, bool failed)
{
    if (s->n == MOST)
        abort();
    s->life[s->n++] = (struct lifetime){0, exit, D_NAN, failed, 1};
}

/* Insulation of 40 motors at 150 to 220 C (Nelson & Hahn; Venables & Ripley). */
static struct sample motors(void)
{
    struct sample s = {.n = 0};
    FILE *file = open_data("life/motors.csv");
    char line[100];
    double temperature, hours;
    int failed;
    while (fgets(line, sizeof line, file))
        if (sscanf(line, "%lf,%lf,%d", &temperature, &hours, &failed) == 3) {
            s.x[s.n] = temperature;
            add(&s, hours, failed == 1);
        }
    fclose(file);
    return s;
}

/* 26 patients: performance status and treatment. */
static struct sample ovarian(void)
{
    struct sample s = {.n = 0};
    FILE *file = open_data("life/ovarian.csv");
    char line[100];
    double days, age, disease, treatment, status;
    int failed;
    while (fgets(line, sizeof line, file))
        if (sscanf(line, "%lf,%d,%lf,%lf,%lf,%lf", &days, &failed, &age, &disease, &treatment, &status) ==
            6) {
            s.x[2 * s.n] = status;
            s.x[2 * s.n + 1] = treatment;
            add(&s, days, failed == 1);
        }
    fclose(file);
    return s;
}

/* R 4.2.2, survival 3.5-3: survreg(Surv(time, cens) ~ temp). From memory of Venables & Ripley and agreeing:
 * 16.3185 (.62296), -.0453 (.00319), -1.0956 (.21480), -147.4, -169.5. */
START_TEST(motors_last_longer_when_cooler)
{
    struct sample s = motors();
    struct life_regression r = regress(&s, 1);
    double log_se;

    ck_assert_msg(!r.why_not, "%s", r.why_not);
    ck_assert(r.n == 40 && r.failures == 17);
    near_relative("intercept", r.intercept, 16.318519382, 1e-9);
    near_relative("its error", sqrt(r.covariance[0]), 0.622963863, 5e-6);
    near_relative("temperature", r.effects[0].value, -0.0453070534788, 1e-9);
    near_relative("its error", r.effects[0].se, 0.003185821061, 5e-6);
    near_relative("log sigma", -log(r.shape), -1.0956408942, 1e-8);
    near_relative("its error", sqrt(r.covariance[8]), 0.214796643, 5e-6);
    near_relative("sigma", 1 / r.shape, 0.334325271129, 1e-9);
    near_absolute("alone", r.log_likelihood_without, -169.526707424, 1e-7);
    near_absolute("together", r.log_likelihood, -147.365061177, 1e-7);
    near_absolute("printed", r.log_likelihood, -147.4, 0.05);
    near_relative("tenth at 130 C", life_regression_quantile(&r, (double[]){130}, 0.1, &log_se),
                  15934.5942435, 1e-8);
    near_relative("its error", 15934.5942435 * log_se, 3508.93808, 5e-6);
    near_relative("half at 130 C", life_regression_quantile(&r, (double[]){130}, 0.5, &log_se), 29913.5818466,
                  1e-8);
    near_relative("its error", 29913.5818466 * log_se, 6387.28921, 5e-6);
    near_relative("ten degrees", life_pace(&r, (double[]){140}, (double[]){130}), exp(0.453070534788), 1e-8);
}
END_TEST

/* R 4.2.2: survreg(Surv(futime, fustat) ~ ecog.ps + rx). From memory of its help page and agreeing: 6.897,
 * -0.385, 0.529, 0.884, -97.1. */
START_TEST(two_covariates_as_survreg_has_them)
{
    struct sample s = ovarian();
    struct life_regression r = regress(&s, 2);

    ck_assert_msg(!r.why_not, "%s", r.why_not);
    near_relative("intercept", r.intercept, 6.89669312858, 1e-9);
    near_relative("its error", sqrt(r.covariance[0]), 1.177547216, 5e-6);
    near_relative("status", r.effects[0].value, -0.385042549350, 1e-9);
    near_relative("its error", r.effects[0].se, 0.527001781, 5e-6);
    near_relative("treatment", r.effects[1].value, 0.528645496261, 1e-9);
    near_relative("its error", r.effects[1].se, 0.529201901, 5e-6);
    near_relative("sigma", 1 / r.shape, 0.883873071703, 1e-9);
    near_absolute("alone", r.log_likelihood_without, -97.9539010471, 1e-7);
    near_absolute("together", r.log_likelihood, -97.0844931684, 1e-7);
    near_relative("p of both", r.p, chi_square_above(2 * (97.9539010471 - 97.0844931684), 2), 1e-7);
}
END_TEST

/* A held effect takes the likelihood at each end as far down as the 95 % quantile of chi-square says: the
 * same lives with the effect taken into their ages leave an intercept and a shape alone. */
START_TEST(the_ends_of_an_effect_have_their_likelihood)
{
    struct sample s = motors();
    struct life_regression r = regress(&s, 1);
    for (int side = 0; side < 2; side++) {
        struct lives cooled = {0};
        double shift = 0;
        for (size_t i = 0; i < s.n; i++) {
            double log_factor = r.effects[0].lr[side] * (s.x[i] - 175);
            lives_add(&cooled, 0, s.life[i].exit * exp(-log_factor), D_NAN, s.life[i].failed, 1);
            shift += s.life[i].failed ? log_factor : 0;
        }
        struct life_model m;
        life_fit(cooled.row, cooled.count, LIFE_ASSUMED_SHAPE, mem, &m);
        near_relative("drop", 2 * (r.log_likelihood - (m.log_likelihood - shift)),
                      chi_square_quantile(0.95, 1), 1e-6);
    }
    near_relative("p", r.effects[0].p, r.p, 1e-7); /* the only effect */
}
END_TEST

/* Late entry, intervals and counts count as they do without covariates: a covariate of no effect by symmetry
 * leaves the fit of all lives together. */
START_TEST(a_covariate_without_effect_leaves_the_fit_alone)
{
    struct lives l = _i == 0 ? late_generator_fans() : turbine_parts();
    struct sample s = {.n = 0};
    for (size_t i = 0; i < l.count; i++)
        for (int side = 0; side < 2; side++) {
            s.x[s.n] = side;
            s.life[s.n++] = l.row[i];
        }
    struct life_regression r = regress(&s, 1);
    struct life_model m;
    life_fit(l.row, l.count, LIFE_ASSUMED_SHAPE, mem, &m);
    ck_assert_msg(!r.why_not, "%s", r.why_not);
    near_relative("shape", r.shape, m.shape, 1e-9);
    near_relative("scale", exp(r.intercept), m.scale, 1e-8);
    near_absolute("effect", r.effects[0].value, 0, 1e-8);
    near_absolute("p", r.p, 1, 1e-6);
    near_absolute("log-likelihood", r.log_likelihood, 2 * m.log_likelihood, 1e-8);
}
END_TEST

START_TEST(what_cannot_be_found_is_said)
{
    struct sample s = {.n = 0};
    for (int i = 0; i < 12; i++) { /* nothing fails where the covariate is 1 */
        s.x[s.n] = i % 2;
        add(&s, 100 + 10 * i, i % 2 == 0);
    }
    ck_assert(strstr(regress(&s, 1).why_not, "without end"));
    for (size_t i = 0; i < s.n; i++)
        s.x[i] = 3;
    ck_assert(strstr(regress(&s, 1).why_not, "same for all"));
    s.n = 3;
    ck_assert(strstr(regress(&s, 1).why_not, "too few"));

    s = motors();
    for (size_t i = s.n; i-- > 0;) {
        s.x[2 * i] = s.x[i];
        s.x[2 * i + 1] = 2 * s.x[2 * i] + 1;
    }
    ck_assert_ptr_nonnull(regress(&s, 2).why_not);
}
END_TEST

START_TEST(order_and_unit_change_nothing)
{
    struct sample s = ovarian(), turned = s;
    for (size_t i = 0; i < s.n; i++) {
        turned.life[i] = s.life[s.n - 1 - i];
        turned.life[i].exit *= 24;
        turned.x[2 * i] = s.x[2 * (s.n - 1 - i)];
        turned.x[2 * i + 1] = s.x[2 * (s.n - 1 - i) + 1];
    }
    struct life_regression a = regress(&s, 2), b = regress(&turned, 2);
    near_relative("shape", b.shape, a.shape, 1e-10);
    near_relative("effect", b.effects[0].value, a.effects[0].value, 1e-9);
    near_relative("end", b.effects[1].lr[0], a.effects[1].lr[0], 1e-6);
    near_relative("intercept", b.intercept, a.intercept + log(24), 1e-10);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("life_regression");
    TCase *cases = tcase_create("regression");

    near_start();
    tcase_add_checked_fixture(cases, make_arena, drop_arena);
    tcase_add_test(cases, motors_last_longer_when_cooler);
    tcase_add_test(cases, two_covariates_as_survreg_has_them);
    tcase_add_test(cases, the_ends_of_an_effect_have_their_likelihood);
    tcase_add_loop_test(cases, a_covariate_without_effect_leaves_the_fit_alone, 0, 2);
    tcase_add_test(cases, what_cannot_be_found_is_said);
    tcase_add_test(cases, order_and_unit_change_nothing);
    suite_add_tcase(suite, cases);
    return near_run(suite, "life_regression");
}
