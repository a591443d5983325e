#include "life_data.h"
#include "near.h"
#include "numeric.h"

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new(64 << 20);
}

static void drop_arena(void)
{
    arena_free(mem);
}

struct expected_step {
    double age, at_risk, survival, se, lower, upper, hazard, hazard_se; /* NAN: not compared */
};

static void check_curve(const char *name, const struct lives *l, const struct expected_step *want,
                        size_t count)
{
    struct life_step *got;
    size_t n = life_curve(l->row, l->count, mem, &got);

    ck_assert_uint_eq(n, count);
    for (size_t i = 0; i < n; i++) {
        ck_assert_msg(got[i].age == want[i].age, "%s: age %g", name, got[i].age);
        ck_assert_msg(got[i].at_risk == want[i].at_risk, "%s: at risk %g at %g", name, got[i].at_risk,
                      got[i].age);
        near_relative(name, got[i].survival, want[i].survival, 1e-9);
        if (!isnan(want[i].se))
            near_relative(name, got[i].se, want[i].se, 1e-9);
        if (!isnan(want[i].lower)) {
            near_relative(name, got[i].lower, want[i].lower, 1e-9);
            near_relative(name, got[i].upper, want[i].upper, 1e-9);
        }
        if (!isnan(want[i].hazard))
            near_relative(name, got[i].hazard, want[i].hazard, 1e-9);
        if (!isnan(want[i].hazard_se))
            near_relative(name, got[i].hazard_se, want[i].hazard_se, 1e-9);
    }
}

/* NIST/SEMATECH e-Handbook 8.2.1.5 (data and the product of survival); limits: R 4.2.2, survival 3.5-3,
 * survfit(conf.type = "log-log"). */
START_TEST(the_curve_of_the_handbook)
{
    static const double failed[] = {10, 32, 56, 98, 122, 181}, removed[] = {50, 100, 125, 150};
    static const struct expected_step want[] = {
        {10, 20, 0.95, 0.04873397172, 0.6947431933, 0.9928022286, 0.05, 0.05},
        {32, 19, 0.90, 0.06708203932, 0.6560307073, 0.9740101744, 0.1026315789, 0.07259533802},
        {56, 17, 0.8470588235, 0.08138831992, 0.5967951788, 0.9480246414, 0.1614551084, 0.09343602472},
        {98, 16, 0.7941176471, 0.09192127978, 0.5396804825, 0.9174480771, 0.2239551084, 0.11241236905},
        {122, 14, 0.7373949580, 0.10135680339, 0.4782409688, 0.8817849130, 0.2953836798, 0.13318626630},
        {181, 11, 0.6703590527, 0.11214068588, 0.4033765948, 0.8384648940, 0.3862927707, 0.16125459479},
    };
    struct lives l = {0};
    for (int i = 0; i < 6; i++)
        lives_failed(&l, failed[i]);
    for (int i = 0; i < 4; i++)
        lives_running(&l, removed[i], 1);
    lives_running(&l, 200, 10);
    check_curve("handbook curve", &l, want, 6);
    near_absolute("handbook", want[5].survival, 19 / 20. * 18 / 19 * 16 / 17 * 15 / 16 * 13 / 14 * 10 / 11,
                  1e-10);
}
END_TEST

/* R 4.2.2, survival 3.5-3: survfit(Surv(hours, status) ~ 1, genfan, conf.type = "log-log"). */
START_TEST(the_curve_of_generator_fans)
{
    static const struct expected_step want[] = {
        {450, 70, 0.9857142857, 0.01418330641, 0.9028955508, 0.9979752390, 0.01428571429, 0.01428571429},
        {1150, 68, 0.9567226891, 0.02444182384, 0.8717943219, 0.9858352206, 0.04369747899, D_NAN},
        {1600, 65, 0.9420038785, 0.02815089584, 0.8527869979, 0.9778338352, 0.05908209438, D_NAN},
        {2070, 55, 0.9077491920, 0.03607275934, 0.8053949421, 0.9576388413, 0.09544573074, 0.03917206913},
        {2080, 53, 0.8906218487, 0.03924811741, 0.7833638836, 0.9465272428, 0.11431365527, D_NAN},
        {3100, 47, 0.8716724477, 0.04274344742, 0.7584249256, 0.9340580266, 0.13559025101, D_NAN},
        {3450, 45, 0.8523019489, 0.04597371538, 0.7336812929, 0.9208352203, 0.15781247324, D_NAN},
        {4600, 34, 0.8272342445, 0.05099990423, 0.6986167357, 0.9045639412, 0.18722423794, D_NAN},
        {6100, 26, 0.7954175428, 0.05812167818, 0.6518637253, 0.8847687806, 0.22568577640, D_NAN},
        {8750, 9, 0.7070378158, 0.09804197693, 0.4680115613, 0.8536053000, 0.33679688751, 0.13238954309},
    };
    struct lives l = generator_fans();
    check_curve("generator fans' curve", &l, want, 10);
}
END_TEST

/* The same with conf.type = "logit", which is Meeker & Escobar's form. */
START_TEST(limits_on_the_logit_scale)
{
    static const double lower[] = {0.9055088586, 0.8742290205, 0.8554137816, 0.8087900837, 0.7870850587,
                                   0.7625828137, 0.7382658261, 0.7040673512, 0.6587786857, 0.4883381308};
    static const double upper[] = {0.9979912303, 0.9859763946, 0.9780663859, 0.9581433458, 0.9471887408,
                                   0.9349151034, 0.9219086731, 0.9059843135, 0.8867470342, 0.8592091805};
    struct lives l = generator_fans();
    struct life_step *steps;
    ck_assert_uint_eq(life_curve(l.row, l.count, mem, &steps), 10);
    for (int i = 0; i < 10; i++) {
        double limits[2];
        life_curve_logit(&steps[i], limits);
        near_relative("logit lower", limits[0], lower[i], 1e-9);
        near_relative("logit upper", limits[1], upper[i], 1e-9);
    }
}
END_TEST

/* R 4.2.2, survival 3.5-3: survfit on aml, log-log limits. */
START_TEST(the_curves_of_two_groups)
{
    static const double kept_failed[] = {9, 13, 18, 23, 31, 34, 48}, kept_running[] = {13, 28, 45, 161};
    static const double kept[] = {0.9090909091, 0.8181818182, 0.7159090909, 0.6136363636,
                                  0.4909090909, 0.3681818182, 0.1840909091};
    static const double other_failed[] = {5, 5, 8, 8, 12, 23, 27, 30, 33, 43, 45};
    struct lives a = {0}, b = {0};
    struct life_step *steps;

    for (int i = 0; i < 7; i++)
        lives_failed(&a, kept_failed[i]);
    for (int i = 0; i < 4; i++)
        lives_running(&a, kept_running[i], 1);
    ck_assert_uint_eq(life_curve(a.row, a.count, mem, &steps), 7);
    for (int i = 0; i < 7; i++)
        near_relative("aml", steps[i].survival, kept[i], 1e-9);
    near_relative("aml lower at 23", steps[3].lower, 0.265752040001, 1e-10);
    near_relative("aml upper at 23", steps[3].upper, 0.835299243250, 1e-10);
    double limits[2], se;
    ck_assert(life_curve_age(steps, 7, 0.5, limits) == 31 && limits[0] == 13 && isnan(limits[1]));
    near_relative("aml mean within 45", life_curve_mean(steps, 7, 45, &se), 30.738636364, 1e-10);
    near_relative("its error", se, 4.114086240, 1e-9);

    for (int i = 0; i < 11; i++)
        lives_failed(&b, other_failed[i]);
    lives_running(&b, 16, 1);
    ck_assert_uint_eq(life_curve(b.row, b.count, mem, &steps), 9);
    near_relative("aml at 43", steps[7].survival, 0.0972222222, 1e-9);
    near_relative("aml lower at 43", steps[7].lower, 0.0057463057, 1e-8);
    near_relative("aml upper at 43", steps[7].upper, 0.3489038611, 1e-9);
    near_relative("aml hazard at 45", steps[8].hazard, 2.94166666667, 1e-11);
    ck_assert(steps[8].survival == 0);
    ck_assert(life_curve_age(steps, 9, 0.5, limits) == 23 && limits[0] == 5 && limits[1] == 33);
    near_relative("aml mean within 45", life_curve_mean(steps, 9, 45, &se), 22.708333333, 1e-10);
    near_relative("its error", se, 4.180941981, 1e-9);
    ck_assert_msg(isnan(steps[8].se) && isnan(steps[8].lower) && isnan(steps[8].upper),
                  "there are no limits where nobody survives");
}
END_TEST

/* R 4.2.2, survival 3.5-3: survfit(Surv(entry, hours, status) ~ 1). */
START_TEST(the_curve_with_late_entry)
{
    static const double want[] = {0.9166666667, 0.8897058824, 0.8760180995, 0.8441628959, 0.8282352941,
                                  0.8106132666, 0.7925996384, 0.7692878844, 0.7396998888, 0.6575110123};
    struct lives l = late_generator_fans();
    struct life_step *steps;

    ck_assert_uint_eq(life_curve(l.row, l.count, mem, &steps), 10);
    ck_assert(steps[0].at_risk == 12 && steps[1].at_risk == 68);
    for (int i = 0; i < 10; i++)
        near_relative("late curve", steps[i].survival, want[i], 1e-9);
    near_relative("late curve hazard", steps[9].hazard, 0.40584450656, 1e-10);
}
END_TEST

/* By hand: of ten, one fails by the first cause, one is removed, one by the second, then two by the first. */
START_TEST(causes_share_what_fails)
{
    struct lives l = {0};
    int cause[10] = {0, 0, 1, 0, 0};
    struct life_incidence *steps;
    lives_failed(&l, 1);
    lives_running(&l, 2, 1);
    lives_failed(&l, 3);
    lives_failed(&l, 4);
    lives_failed(&l, 4);
    lives_running(&l, 5, 5);
    ck_assert_uint_eq(life_incidence(l.row, cause, l.count, mem, &steps), 3);
    double after = 0.9 * 7 / 8;
    near_relative("first", steps[2].share[0], 0.1 + after * 2 / 7, 1e-12);
    near_relative("second", steps[2].share[1], 0.9 / 8, 1e-12);
    near_relative("left", steps[2].survival, after * 5 / 7, 1e-12);
    near_relative("all", steps[2].share[0] + steps[2].share[1] + steps[2].survival, 1, 1e-12);
}
END_TEST

/* With one cause it is the curve, and its error Greenwood's. */
START_TEST(a_single_cause_is_the_curve)
{
    struct lives l = _i ? late_generator_fans() : generator_fans();
    int cause[MAX_LIVES] = {0};
    struct life_incidence *shares;
    struct life_step *steps;
    size_t n = life_curve(l.row, l.count, mem, &steps);
    ck_assert_uint_eq(life_incidence(l.row, cause, l.count, mem, &shares), n);
    for (size_t i = 0; i < n; i++) {
        near_relative("share", shares[i].share[0], 1 - steps[i].survival, 1e-12);
        near_relative("its error", shares[i].se[0], steps[i].se, 1e-9);
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("life_curve");
    TCase *curves = tcase_create("curves");

    near_start();
    tcase_add_checked_fixture(curves, make_arena, drop_arena);
    tcase_add_test(curves, the_curve_of_the_handbook);
    tcase_add_test(curves, the_curve_of_generator_fans);
    tcase_add_test(curves, limits_on_the_logit_scale);
    tcase_add_test(curves, the_curves_of_two_groups);
    tcase_add_test(curves, causes_share_what_fails);
    tcase_add_loop_test(curves, a_single_cause_is_the_curve, 0, 2);
    tcase_add_test(curves, the_curve_with_late_entry);
    suite_add_tcase(suite, curves);
    return near_run(suite, "life_curve");
}
