#include "life_recurrence.h"

#include "life_data.h"
#include "near.h"
#include "numeric.h"

enum { MOST_PLACES = 50, MOST_EVENTS = 60 };

struct places {
    struct recurrence place[MOST_PLACES];
    double events[MOST_EVENTS];
    size_t count, event_count;
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

static void add(struct places *p, double end, const double *at, size_t n)
{
    if (p->count == MOST_PLACES || p->event_count + n > MOST_EVENTS)
        abort();
    memcpy(&p->events[p->event_count], at, n * sizeof *at);
    p->place[p->count++] = (struct recurrence){end, &p->events[p->event_count], n};
    p->event_count += n;
}

/* ---- mean cumulative function ---- */

/* Five systems in the documentation of the Python library "reliability", with its means; the last variance
 * there is that of independent increments, which is not the one here. Robust and Poisson variances by R. */
START_TEST(five_systems)
{
    static const double a[] = {5, 10, 15}, b[] = {6, 13, 17}, c[] = {12, 20, 25}, d[] = {13, 15},
                        e[] = {16, 22, 25};
    static const double want[][4] = {{5, 0.2, 0.032, 0.04},
                                     {6, 0.4, 0.048, 0.08},
                                     {10, 0.6, 0.128, 0.12},
                                     {12, 0.8, D_NAN, D_NAN},
                                     {13, 1.2, 0.112, 0.24},
                                     {15, 1.6, D_NAN, D_NAN},
                                     {16, 1.8, D_NAN, D_NAN},
                                     {17, 2.0, 0.16, 0.40},
                                     {20, 2.33333333, 0.18962963, 0.51111111},
                                     {22, 2.66666667, D_NAN, D_NAN},
                                     {25, 3.66666667, 0.145185185, 1.12222222}};
    static struct places p;
    struct recurrence_step *steps;
    add(&p, 17, a, 3);
    add(&p, 19, b, 3);
    add(&p, 26, c, 3);
    add(&p, 24, d, 2);
    add(&p, 28, e, 3);
    size_t n = recurrence_mean(p.place, p.count, mem, &steps);
    ck_assert_uint_eq(n, 11);
    for (size_t i = 0; i < n; i++) {
        ck_assert(steps[i].at == want[i][0]);
        near_relative("mean", steps[i].mean, want[i][1], 2e-9);
        if (isnan(want[i][2]))
            continue;
        near_relative("robust", steps[i].variance, want[i][2], 3e-9);
        near_relative("Poisson", steps[i].poisson, want[i][3], 1e-8);
    }
}
END_TEST

/* Valve seats of 41 engines (Nelson & Doganaksoy 1989): the file has a row an event and a row an end. */
static struct places *valve_seats(void)
{
    static struct places p;
    FILE *file = open_data("life/valve_seats.csv");
    char line[100], name[20], kind[20], last[20] = "";
    double days, at[10], end = 0;
    size_t n = 0;
    p = (struct places){.count = 0};
    while (fgets(line, sizeof line, file)) {
        if (sscanf(line, "\"%19[^\"]\",%lf,\"%19[^\"]\"", name, &days, kind) != 3)
            continue;
        if (strcmp(name, last) != 0 && last[0])
            add(&p, end, at, n), n = 0;
        snprintf(last, sizeof last, "%s", name);
        if (strcmp(kind, "end") == 0)
            end = days;
        else
            at[n++] = days;
    }
    add(&p, end, at, n);
    fclose(file);
    return &p;
}

/* R 4.2.2; the package reda gives the same errors. */
START_TEST(valve_seats_by_their_engines)
{
    static const double want[][3] = {{98, 0.1463414634, 0.0551993371},
                                     {367, 0.6341463415, 0.1231941420},
                                     {573, 0.9585365854, 0.1689581438},
                                     {646, 1.3204652913, 0.2285051550},
                                     {653, 1.5426875136, 0.3116560748}};
    struct places *p = valve_seats();
    struct recurrence_step *steps;
    ck_assert(p->count == 41 && p->event_count == 48);
    size_t n = recurrence_mean(p->place, p->count, mem, &steps), found = 0;
    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < 5; k++)
            if (steps[i].at == want[k][0]) {
                near_relative("mean", steps[i].mean, want[k][1], 1e-9);
                near_relative("error", sqrt(steps[i].variance), want[k][2], 1e-8);
                found++;
            }
    ck_assert_uint_eq(found, 5);
    near_relative("Poisson", sqrt(steps[n - 1].poisson), 0.262805596815, 1e-11);

    double limits[2];
    recurrence_limits(&steps[n - 1], limits);
    near_relative("upper", limits[1], 1.5426875136 * exp(NORMAL_95 * 0.3116560748 / 1.5426875136), 1e-8);
}
END_TEST

START_TEST(one_place_has_no_variance_between_places)
{
    static struct places p;
    struct recurrence_step *steps;
    add(&p, 10, (const double[]){3, 10}, 2); /* one at the very end counts */
    ck_assert_uint_eq(recurrence_mean(p.place, 1, mem, &steps), 2);
    ck_assert(steps[1].mean == 2 && isnan(steps[1].variance));
}
END_TEST

/* ---- power law ---- */

/* NIST/SEMATECH e-Handbook 8.4.5.2: ten failures, watched for 1500 h; their shape is the unbiased one. */
START_TEST(the_handbooks_ten_failures)
{
    static struct places p;
    struct power_law law;
    double limits[2];
    add(&p, 1500, (const double[]){5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478}, 10);
    power_law_fit(p.place, 1, false, &law);
    near_relative("growth", law.growth, 0.537228866034, 1e-11);
    near_relative("rate", law.rate, 0.196658215714, 1e-11);
    near_relative("unbiased", law.unbiased, 0.48350597943077, 1e-12);
    near_absolute("printed", law.unbiased, 0.483506, 5e-7);
    near_absolute("printed growth", 1 - law.unbiased, 0.516494, 5e-7);
    near_relative("time between at the end", 1500 / (law.growth * 10), 279.210611126, 1e-11);
    near_relative("the same, unbiased", 1500 / (law.unbiased * 10), 310.23401236236, 1e-11);
    near_absolute("printed", 1500 / (law.unbiased * 10), 310.234, 5e-4);
    power_law_growth_limits(&law, false, 0.8, limits);
    near_relative("lower, 80 %", limits[0], 0.3342264418, 1e-9);
    near_relative("upper, 80 %", limits[1], 0.7631868056, 1e-9);
    near_relative("distance", power_law_distance(&law, p.place, false), 0.05376868523, 1e-9);
    near_relative("Laplace", law.laplace, -1.326949183, 1e-9);
    near_relative("trend", law.trend, 37.22808148, 1e-9);
    near_relative("its p", law.trend_p, 2 * chi_square_above(37.22808148, 20), 1e-7);
}
END_TEST

/* 22 failures, watched to the last: documentation of the Python library "reliability". R for more digits. */
START_TEST(twenty_two_failures_to_the_last)
{
    static struct places p;
    struct power_law law;
    double limits[2];
    add(&p, 620, (const double[]){2.7,   10.3,  12.5,  30.6,  57,    61.3,  80,    109.5, 125,   128.6, 143.8,
                                  167.9, 229.2, 296.7, 320.6, 328.2, 366.2, 396.7, 421.1, 438.2, 501.2, 620},
        22);
    power_law_fit(p.place, 1, true, &law);
    near_relative("growth", law.growth, 0.614210399932, 1e-11);
    near_absolute("printed", law.growth, 0.61421, 5e-6);
    near_relative("rate", law.rate, 0.423942214881, 1e-11);
    near_absolute("printed", law.rate, 0.42394, 5e-6);
    near_relative("time between at the end", 620 / (law.growth * 22), 45.8830039103, 1e-11);
    near_relative("unbiased", law.unbiased, 0.558373090847, 1e-11);
    power_law_growth_limits(&law, true, 0.9, limits);
    near_relative("lower, 90 %", limits[0], 0.3928719977, 1e-9);
    near_relative("upper, 90 %", limits[1], 0.8113724643, 1e-9);
    near_relative("distance", power_law_distance(&law, p.place, true), 0.04928067145, 1e-9);
    near_relative("Laplace", law.laplace, -2.783159686, 1e-9);
}
END_TEST

/* A test of the same library. */
START_TEST(ten_failures_to_the_last)
{
    static struct places p;
    struct power_law law;
    add(&p, 340700,
        (const double[]){10400, 26900, 43400, 66400, 89400, 130400, 163400, 232000, 242000, 340700}, 10);
    power_law_fit(p.place, 1, true, &law);
    near_relative("growth", law.growth, 0.741656619657, 1e-11);
    near_relative("rate", law.rate, 0.000788641423539, 1e-11);
    near_relative("time between at the end", 340700 / (law.growth * 10), 45937.7009481, 1e-11);
}
END_TEST

/* R 4.2.2 by the equation of several places with ends of their own. */
START_TEST(several_places_with_ends_of_their_own)
{
    static struct places p;
    struct power_law law;
    add(&p, 4, (const double[]){.5, 1, 1.5, 2, 3}, 5);
    add(&p, 100, (const double[]){50}, 1);
    power_law_fit(p.place, 2, false, &law);
    near_relative("growth", law.growth, 0.344383716583, 1e-11);
    near_relative("rate", law.rate, 0.923671862339, 1e-11);

    struct places *seats = valve_seats();
    power_law_fit(seats->place, seats->count, false, &law);
    near_relative("seats' growth", law.growth, 1.39957926695, 1e-10);
    near_relative("seats' rate", law.rate, 0.000144754610659, 1e-9);
    near_absolute("seats' log-likelihood", law.log_likelihood, -346.4902989, 5e-8);
}
END_TEST

START_TEST(no_event_is_no_law)
{
    static struct places p;
    struct power_law law;
    struct recurrence_step *steps;
    add(&p, 4, (const double[]){0}, 0);
    power_law_fit(p.place, 1, false, &law);
    ck_assert(isnan(law.growth) && isnan(law.trend_p) && law.events == 0);
    ck_assert_uint_eq(recurrence_mean(p.place, 1, mem, &steps), 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("life_recurrence");
    TCase *cases = tcase_create("recurrence");

    near_start();
    tcase_add_checked_fixture(cases, make_arena, drop_arena);
    tcase_add_test(cases, five_systems);
    tcase_add_test(cases, valve_seats_by_their_engines);
    tcase_add_test(cases, one_place_has_no_variance_between_places);
    tcase_add_test(cases, the_handbooks_ten_failures);
    tcase_add_test(cases, twenty_two_failures_to_the_last);
    tcase_add_test(cases, ten_failures_to_the_last);
    tcase_add_test(cases, several_places_with_ends_of_their_own);
    tcase_add_test(cases, no_event_is_no_law);
    suite_add_tcase(suite, cases);
    return near_run(suite, "life_recurrence");
}
