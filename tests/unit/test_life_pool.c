#include "life_mixing.h"
#include "life_pool.h"

#include "life_data.h"
#include "near.h"
#include "numeric.h"

#include <stdint.h>

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new(256 << 20);
}

static void drop_arena(void)
{
    arena_free(mem);
}

/* ---- counts over exposures ---- */

/* Failures and thousands of hours of ten pumps (Gaver & O'Muircheartaigh 1987). */
enum { PUMPS = 10 };
static const struct mixing_group pumps[PUMPS] = {{5, 94.3},  {1, 15.7}, {5, 62.9}, {14, 126}, {3, 5.24},
                                                 {19, 31.4}, {1, 1.05}, {1, 1.05}, {4, 2.1},  {22, 10.5}};

/* Marginal maximum likelihood in R 4.2.2; from memory and agreeing: a .82, b 1.27. */
START_TEST(pumps_by_greatest_likelihood)
{
    static const double means[PUMPS] = {0.060934118, 0.107475672, 0.090754598, 0.116476289, 0.587998916,
                                        0.606918606, 0.788597968, 0.788597968, 1.434700332, 1.940455524};
    struct mixing m;
    mixing_fit(pumps, PUMPS, &m);
    near_relative("a", m.a, 0.8229650789, 1e-6);
    near_relative("b", m.b, 1.261653281, 1e-6);
    near_absolute("log-likelihood", m.log_likelihood, -32.2578363, 5e-8);
    ck_assert(!m.alike);
    for (int i = 0; i < PUMPS; i++)
        near_relative("mean", (m.a + pumps[i].events) / (m.b + pumps[i].exposure), means[i], 1e-6);
    double k = m.a + pumps[1].events, r = m.b + pumps[1].exposure;
    near_relative("second pump's lower", chi_square_quantile(0.025, 2 * k) / (2 * r), 0.011177427, 1e-6);
    near_relative("second pump's upper", chi_square_quantile(0.975, 2 * k) / (2 * r), 0.31017926, 1e-6);
}
END_TEST

/* a exponential of mean 1, b gamma of shape 0.1 and rate 1; here for log a and log b at a constant a. */
static double published_prior(double a, double b)
{
    return -a + log(a) - 0.9 * log(b) - b + log(b);
}

/* Quadrature in R 4.2.2; from memory and agreeing: the pumps of the BUGS examples. */
START_TEST(pumps_with_all_that_a_and_b_may_be)
{
    static const double means[PUMPS] = {0.0598183, 0.101826, 0.0892417, 0.115788, 0.601338,
                                        0.609388,  0.892536, 0.892536,  1.586312, 1.989835};
    struct mixing_point points[MIXING_POINTS];
    double a = 0, b = 0;
    mixing_spread(pumps, PUMPS, published_prior, points);
    for (int i = 0; i < MIXING_POINTS; i++) {
        a += points[i].weight * points[i].a;
        b += points[i].weight * points[i].b;
    }
    near_relative("mean of a", a, 0.697169, 2e-4);
    near_relative("mean of b", b, 0.926807, 2e-3);
    for (int k = 0; k < PUMPS; k++) {
        double mean = 0;
        for (int i = 0; i < MIXING_POINTS; i++)
            mean += points[i].weight * (points[i].a + pumps[k].events) / (points[i].b + pumps[k].exposure);
        near_relative("mean", mean, means[k], 5e-4);
    }
}
END_TEST

/*
 * Infections of 38 kidney patients, two each (McGilchrist & Aisbett 1991), as exponential times with a gamma
 * frailty of mean 1 a patient and the covariates sex (0, 1) and age: the likelihood that patients lend each
 * other by mixing. p: log theta, log rate, sex, age.
 */
static double kidney_likelihood(const double p[4])
{
    FILE *file = open_data("life/kidney.csv");
    char line[200];
    double a = exp(-p[0]), time, age, l = 0;
    int id, status, sex, last = 0;
    struct mixing_group g = {0, 0};
    while (fgets(line, sizeof line, file)) {
        if (sscanf(line, "%d,%lf,%d,%lf,%d", &id, &time, &status, &age, &sex) != 5)
            continue;
        double log_rate = p[1] + p[2] * (sex - 1) + p[3] * age;
        if (id != last && last)
            l += mixing_log_likelihood(&g, a, a), g = (struct mixing_group){0, 0};
        last = id;
        g.events += status;
        g.exposure += time * exp(log_rate);
        l += status * log_rate;
    }
    fclose(file);
    return l + mixing_log_likelihood(&g, a, a);
}

/* R 4.2.2; from memory of the parfm paper (J. Stat. Softw. 51(11)) and agreeing: theta .301, lambda .025, sex
 * -1.485, age .005, log-likelihood -333.248. */
START_TEST(patients_of_a_gamma_frailty)
{
    const double best[4] = {log(0.300874533), log(0.0253224394), -1.48476040612, 0.00478981474};
    const double step[4] = {1e-3, 1e-3, 1e-3, 1e-5};
    near_absolute("log-likelihood", kidney_likelihood(best), -333.24811358, 5e-8);
    near_absolute("printed", kidney_likelihood(best), -333.248, 5e-4);
    for (int k = 0; k < 4; k++) { /* it is the top */
        double up[4], down[4];
        memcpy(up, best, sizeof up);
        memcpy(down, best, sizeof down);
        up[k] += step[k];
        down[k] -= step[k];
        double above = kidney_likelihood(up), below = kidney_likelihood(down), at = kidney_likelihood(best);
        double bend = above + below - 2 * at;
        ck_assert(bend < 0);
        near_absolute("distance to the top, in steps", (above - below) / (2 * bend), 0, 0.01);
    }
}
END_TEST

START_TEST(groups_that_are_alike_share_one_rate)
{
    const struct mixing_group same[] = {{10, 100}, {20, 200}, {5, 50}, {40, 400}};
    struct mixing m;
    mixing_fit(same, 4, &m);
    ck_assert(m.alike);
    near_relative("rate", m.a / m.b, 0.1, 1e-6);
}
END_TEST

/* Log risk ratios of 13 trials of a vaccine (Colditz et al. 1994) by R's metafor; its documentation agrees.
 */
START_TEST(estimates_are_drawn_to_their_mean)
{
    static const double y[] = {-0.88931133, -1.58538866, -1.34807315, -1.44155119, -0.21754732,
                               -0.78611559, -1.62089822, 0.01195233,  -0.46941765, -1.37134480,
                               -0.33935883, 0.44591340,  -0.01731395};
    static const double v[] = {0.325584765,  0.1945811214, 0.4153679654, 0.0200100319, 0.0512101722,
                               0.0069056185, 0.2230172476, 0.0039615793, 0.0564342105, 0.0730247936,
                               0.0124122140, 0.5325058452, 0.0714046597};
    struct shrinkage s;
    shrinkage_of(y, v, 13, &s);
    near_relative("between", s.between, 0.3087602629, 1e-6);
    near_relative("mean", s.mean, -0.7141172221, 1e-6);
    near_relative("its error", s.se, 0.1787420895, 1e-6);
    near_relative("lower", s.mean - NORMAL_95 * s.se, -1.0644453, 1e-6);
    near_relative("upper", s.mean + NORMAL_95 * s.se, -0.3637892, 1e-6);
    near_relative("Q", s.q, 152.23301, 1e-6);
    near_relative("first", shrinkage_value(&s, y[0], v[0]), -0.799390973, 1e-6);
    near_relative("twelfth", shrinkage_value(&s, y[11], v[11]), -0.288364471, 1e-6);
}
END_TEST

/* ---- laws ---- */

enum { GROUPS = 4 };
struct fleet {
    struct lives lives[GROUPS];
    struct life_model model[GROUPS], newcomer;
};

static void pool(struct fleet *f)
{
    struct life_group_lives groups[GROUPS];
    for (int i = 0; i < GROUPS; i++) {
        groups[i] = (struct life_group_lives){f->lives[i].row, f->lives[i].count};
        life_fit(f->lives[i].row, f->lives[i].count, LIFE_ASSUMED_SHAPE, mem, &f->model[i]);
    }
    life_pool(groups, GROUPS, LIFE_ASSUMED_SHAPE, mem, f->model, &f->newcomer);
}

/* Many failures, some, one, none. */
static struct fleet *usual_fleet(void)
{
    struct fleet *f = arena_alloc(mem, sizeof *f);
    f->lives[0] = turbine_parts();
    for (size_t i = 0; i < f->lives[0].count; i++) { /* months taken for hundreds of hours */
        f->lives[0].row[i].exit *= 400;
        f->lives[0].row[i].exit_high *= 400;
    }
    f->lives[1] = generator_fans();
    lives_failed(&f->lives[2], 9000);
    lives_running(&f->lives[2], 20000, 30);
    lives_running(&f->lives[3], 15000, 12);
    pool(f);
    return f;
}

START_TEST(each_group_has_a_law_and_says_what_it_borrowed)
{
    struct fleet *f = usual_fleet();
    ck_assert_int_eq(f->model[0].method, LIFE_MAXIMUM_LIKELIHOOD);
    ck_assert_int_eq(f->model[1].method, LIFE_MAXIMUM_LIKELIHOOD);
    ck_assert_int_eq(f->model[2].method, LIFE_POOLED);
    ck_assert_int_eq(f->model[3].method, LIFE_POOLED);
    ck_assert_int_eq(f->newcomer.method, LIFE_POOLED);
    ck_assert(f->newcomer.borrowed == 1 && f->model[0].borrowed < 0.05);
    ck_assert(f->model[1].borrowed > f->model[0].borrowed && f->model[3].borrowed > f->model[2].borrowed);
    for (int i = 2; i < GROUPS; i++) {
        const struct life_model *m = &f->model[i];
        ck_assert(m->shape_ci[0] < m->shape && m->shape < m->shape_ci[1]);
        ck_assert(m->scale_ci[0] < m->scale && m->scale < m->scale_ci[1]);
        near_relative("tenth", life_conditional(m, 0, m->b10), 0.1, 1e-9);
    }
}
END_TEST

/* With failures enough the law is that of the estimate. */
START_TEST(many_failures_stand_on_their_own)
{
    struct fleet *f = usual_fleet();
    for (size_t i = 0; i < f->lives[0].count; i++)
        f->lives[0].row[i].count *= 100;
    pool(f);
    struct life_model own = f->model[0];
    own.law = NULL;
    for (double age = 0; age < 30000; age += 4000) {
        double limits[2], want[2];
        near_relative("chance", life_conditional(&f->model[0], age, 2000), life_conditional(&own, age, 2000),
                      3e-3);
        life_conditional_limits(&f->model[0], age, 2000, limits);
        life_conditional_limits(&own, age, 2000, want);
        near_relative("lower", limits[0], want[0], 6e-3);
        near_relative("upper", limits[1], want[1], 6e-3);
    }
}
END_TEST

/* The same by brute force: two groups, the whole grid of both shapes, both rates and a; here with the shape's
 * part of the prior alone, and one group that stands for itself (its own rate is drawn evenly in its log). */
START_TEST(a_single_group_agrees_with_quadrature)
{
    enum { SHAPES = 300, RATES = 600 };
    struct lives l = bearing_cages();
    struct life_group_lives group = {l.row, l.count};
    struct life_model m, newcomer;
    life_fit(l.row, l.count, LIFE_ASSUMED_SHAPE, mem, &m);
    life_pool(&group, 1, LIFE_ASSUMED_SHAPE, mem, &m, &newcomer);

    const double age = 1200, h = 800;
    double sum = 0, failing = 0, below[2] = {0}, limits[2];
    life_conditional_limits(&m, age, h, limits);
    for (int i = 0; i < SHAPES; i++) {
        double s = log(2) + 3.2 * (2.0 * i / (SHAPES - 1) - 1), shape = exp(s), off = s - log(2);
        double exposure = 0, logs = 0, failures = 0;
        for (size_t k = 0; k < l.count; k++) {
            exposure += l.row[k].count * pow(l.row[k].exit / 1000, shape);
            logs += l.row[k].failed ? log(l.row[k].exit / 1000) : 0;
            failures += l.row[k].failed;
        }
        double best = log(failures / exposure);
        for (int k = 0; k < RATES; k++) {
            double log_rate = best + 4.0 * (2.0 * k / (RATES - 1) - 1), rate = exp(log_rate);
            double w = exp(failures * (log_rate + s) + (shape - 1) * logs - rate * exposure -
                           off * off / (2 * (0.25 + 0.0625)));
            double x = rate * (pow((age + h) / 1000, shape) - pow(age / 1000, shape)), p = 1 - exp(-x);
            sum += w;
            failing += w * p;
            below[0] += p < limits[0] ? w : 0;
            below[1] += p < limits[1] ? w : 0;
        }
    }
    near_relative("predictive", life_conditional(&m, age, h), failing / sum, 5e-3);
    near_absolute("below the lower limit", below[0] / sum, 0.025, 0.006);
    near_absolute("below the upper limit", below[1] / sum, 0.975, 0.006);
}
END_TEST

/* The share of a law below a chance, exactly. */
static double law_below(const struct life_law *law, double age, double h, double p)
{
    double sum = 0, x = -log1p(-p);
    for (size_t i = 0; i < law->count; i++) {
        const struct life_part *part = &law->parts[i];
        double unit = exp(law->log_unit), shape = part->shape;
        double gain = pow((age + h) / unit, shape) - pow(age / unit, shape);
        sum += part->weight * gamma_share(part->k, part->r * x / gain);
    }
    return sum;
}

START_TEST(limits_are_near_the_quantiles_of_the_law)
{
    struct fleet *f = usual_fleet();
    double worst[2] = {0};
    for (int i = 0; i <= GROUPS; i++) {
        const struct life_model *m = i < GROUPS ? &f->model[i] : &f->newcomer;
        for (double age = 0; age < 60000; age += 12000)
            for (double h = 200; h < 1e5; h *= 8) {
                double limits[2];
                life_conditional_limits(m, age, h, limits);
                for (int side = 0; side < 2; side++) {
                    double off = fabs(law_below(m->law, age, h, limits[side]) - (side ? 0.975 : 0.025));
                    worst[side] = fmax(worst[side], limits[side] < 1 ? off : 0);
                }
            }
    }
    printf("limits miss the quantiles by %.4f and %.4f of probability at most\n", worst[0], worst[1]);
    ck_assert(worst[0] < 0.002 && worst[1] < 0.002);
}
END_TEST

START_TEST(tails_add_to_one_and_grow)
{
    struct fleet *f = usual_fleet();
    for (int i = 0; i < GROUPS; i++) {
        const struct life_model *m = &f->model[i];
        double last = 0, limits[2];
        near_relative("at the end all have failed", life_conditional(m, 0, 1e12), 1, 0.01);
        for (double h = 10; h < 2e5; h *= 3) {
            double first = life_conditional(m, 0, h), both = life_conditional(m, 0, 2 * h);
            life_conditional_limits(m, 5000, h, limits);
            double later = life_conditional(m, 5000, h);
            ck_assert(first > last && both > first);
            ck_assert_msg(limits[0] <= later && later <= limits[1], "group %d, %g h: %g in %g to %g", i, h,
                          later, limits[0], limits[1]);
            last = first;
        }
    }
}
END_TEST

START_TEST(order_and_unit_change_nothing)
{
    struct fleet *a = usual_fleet(), *b = arena_alloc(mem, sizeof *b);
    for (int i = 0; i < GROUPS; i++) {
        b->lives[GROUPS - 1 - i] = a->lives[i];
        struct lives *l = &b->lives[GROUPS - 1 - i];
        for (size_t k = 0; k < l->count; k++) {
            l->row[k] = a->lives[i].row[l->count - 1 - k];
            l->row[k].exit /= 24;
            l->row[k].exit_high /= 24;
        }
    }
    pool(b);
    for (int i = 0; i < GROUPS; i++) {
        const struct life_model *x = &a->model[i], *y = &b->model[GROUPS - 1 - i];
        near_relative("chance", life_conditional(y, 300, 50), life_conditional(x, 7200, 1200), 1e-8);
        near_relative("scale", y->scale * 24, x->scale, 1e-8);
        near_relative("borrowed", y->borrowed, x->borrowed, 1e-8);
    }
}
END_TEST

START_TEST(units_still_running_never_raise_the_chance)
{
    struct fleet *f = usual_fleet();
    double before[GROUPS];
    for (int i = 0; i < GROUPS; i++)
        before[i] = life_conditional(&f->model[i], 8000, 2000);
    for (int i = 1; i < GROUPS; i++) {
        struct fleet *more = usual_fleet();
        lives_running(&more->lives[i], 12000, 40);
        pool(more);
        ck_assert_msg(life_conditional(&more->model[i], 8000, 2000) < before[i], "group %d", i);
    }
}
END_TEST

START_TEST(without_any_failure_there_is_nothing_to_lend)
{
    struct fleet f = {0};
    for (int i = 0; i < GROUPS; i++)
        lives_running(&f.lives[i], 1000 * (i + 1), 5);
    pool(&f);
    for (int i = 0; i < GROUPS; i++)
        ck_assert(f.model[i].method == LIFE_NO_FAILURE && !f.model[i].law);
}
END_TEST

/* ---- does it keep its word? ---- */

static double uniform(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return ((double)(*state >> 11) + 0.5) / 9007199254740992.0;
}

static double normal(uint64_t *state)
{
    return normal_quantile(uniform(state));
}

/*
 * Fleets drawn as the pool takes them to be drawn, with few failures each: the true chance of a fan must lie
 * within its limits in about 95 of 100 cases, and be met on average.
 */
START_TEST(limits_hold_the_truth_as_often_as_they_say)
{
    enum { FLEETS = 150 };
    uint64_t state = 5;
    double within = 0, cases = 0, said = 0, true_sum = 0;

    for (int n = 0; n < FLEETS; n++) {
        struct arena *kept = mem;
        mem = arena_new(64 << 20);
        struct fleet *f = arena_alloc(mem, sizeof *f);
        double shape[GROUPS], scale[GROUPS], common = exp(log(2) + 0.4 * normal(&state));
        for (int i = 0; i < GROUPS; i++) {
            shape[i] = common * exp(0.15 * normal(&state));
            scale[i] = 40000 * exp(0.5 * normal(&state));
            for (int k = 0; k < 8 + 20 * i; k++) {
                double life = scale[i] * pow(-log(uniform(&state)), 1 / shape[i]);
                double seen = 25000 * uniform(&state);
                lives_add(&f->lives[i], 0, fmin(life, seen), D_NAN, life < seen, 1);
            }
        }
        pool(f);
        for (int i = 0; i < GROUPS && f->model[i].law; i++) {
            double limits[2], p = life_conditional(&f->model[i], 12000, 6000);
            double truth = 1 - exp(pow(12000 / scale[i], shape[i]) - pow(18000 / scale[i], shape[i]));
            life_conditional_limits(&f->model[i], 12000, 6000, limits);
            within += limits[0] <= truth && truth <= limits[1];
            said += p;
            true_sum += truth;
            cases++;
        }
        arena_free(mem);
        mem = kept;
    }
    printf("limits hold the truth in %.1f of 100; said %.4f, true %.4f on average\n", 100 * within / cases,
           said / cases, true_sum / cases);
    ck_assert(within / cases > 0.92 && within / cases < 0.99);
    ck_assert(fabs(said / true_sum - 1) < 0.15);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("life_pool");
    TCase *mixing = tcase_create("mixing"), *laws = tcase_create("laws");

    near_start();
    tcase_add_checked_fixture(mixing, make_arena, drop_arena);
    tcase_add_test(mixing, pumps_by_greatest_likelihood);
    tcase_add_test(mixing, pumps_with_all_that_a_and_b_may_be);
    tcase_add_test(mixing, patients_of_a_gamma_frailty);
    tcase_add_test(mixing, groups_that_are_alike_share_one_rate);
    tcase_add_test(mixing, estimates_are_drawn_to_their_mean);
    tcase_add_checked_fixture(laws, make_arena, drop_arena);
    tcase_set_timeout(laws, 120); /* long for sanitizers on a busy machine */
    tcase_add_test(laws, each_group_has_a_law_and_says_what_it_borrowed);
    tcase_add_test(laws, many_failures_stand_on_their_own);
    tcase_add_test(laws, a_single_group_agrees_with_quadrature);
    tcase_add_test(laws, limits_are_near_the_quantiles_of_the_law);
    tcase_add_test(laws, tails_add_to_one_and_grow);
    tcase_add_test(laws, order_and_unit_change_nothing);
    tcase_add_test(laws, units_still_running_never_raise_the_chance);
    tcase_add_test(laws, without_any_failure_there_is_nothing_to_lend);
    tcase_add_test(laws, limits_hold_the_truth_as_often_as_they_say);
    suite_add_tcase(suite, mixing);
    suite_add_tcase(suite, laws);
    return near_run(suite, "life_pool");
}
