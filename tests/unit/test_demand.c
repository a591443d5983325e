#include "demand.h"

#include "fleet_data.h"
#include "near.h"
#include "numeric.h"

#include <stdio.h>
#include <string.h>

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new((size_t)256 << 20);
}

static void drop_arena(void)
{
    arena_free(mem);
}

static double total(const struct distribution *d)
{
    double sum = 0;
    for (size_t k = 0; k < d->size; k++)
        sum += d->p[k];
    return sum;
}

static void near_values(const char *name, const struct distribution *got, const double *want, size_t n,
                        double tolerance)
{
    for (size_t k = 0; k < n; k++)
        near_absolute(name, k < got->size ? got->p[k] : 0, want[k], tolerance);
    near_absolute(name, total(got), 1, 1e-12);
}

/* ---- sums of events ---- */

/* R's PoissonBinomial 1.2.5: dpbinom(method = "Convolve"); its FFT agrees to 1e-16. */
START_TEST(sums_of_unlike_events)
{
    static const double a[] = {0.1, 0.2, 0.3, 0.4, 0.5};
    static const double pa[] = {0.1512, 0.3714, 0.3274, 0.1274, 0.0214, 0.0012};
    static const double pb[] = {0.03273645375,  0.1432359984375, 0.26740807875,  0.279306304375,
                                0.179847851875, 0.0741512512500, 0.019679959375, 0.003289230625,
                                0.000327301875, 0.0000172153125, 0.000000354375};
    static const double d[] = {1, 0, 0.5, 0.5, 0.999999};
    static const double pd[] = {0, 2.5e-07, 0.25000025, 0.49999975, 0.24999975, 0};
    double b[10];
    for (int i = 0; i < 10; i++)
        b[i] = 0.05 * (i + 1);

    struct distribution x = distribution_of_events(a, 5, mem);
    near_values("five events", &x, pa, 6, 1e-15);
    x = distribution_of_events(b, 10, mem);
    near_values("ten events", &x, pb, 11, 1e-13);
    for (int k = 0; k <= 10; k++)
        near_relative("ten events", x.p[k], pb[k], 1e-12);
    static const struct {
        double q;
        int k;
    } quantiles[] = {{0.5, 3}, {0.9, 4}, {0.95, 5}, {0.99, 6}, {0, 0}, {1, 10}};
    for (int i = 0; i < 6; i++)
        ck_assert_int_eq(distribution_quantile(&x, quantiles[i].q), quantiles[i].k);
    x = distribution_of_events(d, 5, mem);
    near_values("certain and impossible ones", &x, pd, 6, 1e-15);
}
END_TEST

START_TEST(many_events_as_plain_convolution_gives_them)
{
    enum { N = 2000 };
    double *p = arena_array(mem, double, N), *plain = arena_array(mem, double, N + 1), mean = 0;

    plain[0] = 1;
    for (int i = 0; i < N; i++) {
        p[i] = 0.5 * (1 + sin(i * 0.7)) * (i % 5 ? 0.02 : 0.3);
        mean += p[i];
        for (int k = i + 1; k > 0; k--)
            plain[k] = plain[k] * (1 - p[i]) + plain[k - 1] * p[i];
        plain[0] *= 1 - p[i];
    }
    struct distribution d = distribution_of_events(p, N, mem);
    near_values("2000 events", &d, plain, N + 1, 1e-15);
    near_relative("their mean", distribution_mean(&d), mean, 1e-12);
    ck_assert_msg(d.size < 300, "tails are cut: %zu", d.size);
    for (int k = 0; k < (int)d.size - 1; k++)
        if (plain[k] > 1e-10)
            near_relative("their values", d.p[k], plain[k], 1e-9);
}
END_TEST

START_TEST(the_order_of_sums_changes_nothing)
{
    double p[7] = {0.1, 0.9, 0.3, 0.01, 0.5, 0.77, 0.2}, q[7] = {0.77, 0.01, 0.2, 0.5, 0.3, 0.1, 0.9};
    struct distribution a = distribution_of_events(p, 7, mem), b = distribution_of_events(q, 7, mem);
    near_values("shuffled", &a, b.p, b.size, 1e-15);
    struct distribution none = distribution_of_events(p, 0, mem);
    ck_assert(none.size == 1 && none.p[0] == 1);
    struct distribution same = distribution_sum(&a, &none, mem);
    near_values("with nothing", &same, a.p, a.size, 0);
}
END_TEST

START_TEST(shares_below_and_quantiles_agree)
{
    struct distribution d = distribution_of_counts(7.3, 12, mem);
    double sum = 0;
    ck_assert(distribution_at_most(&d, -1) == 0 && distribution_at_most(&d, 1000) == 1);
    for (int k = 0; k < 40; k++) {
        sum += d.p[k];
        near_relative("at most", distribution_at_most(&d, k), sum, 1e-12);
        ck_assert_int_eq(distribution_quantile(&d, sum), k);
        ck_assert_int_eq(distribution_quantile(&d, sum - d.p[k] / 2), k);
    }
    near_relative("mean", distribution_mean(&d), 7.3, 1e-12);
    near_absolute("sum", total(&d), 1, 1e-14);
}
END_TEST

/* ---- renewals ---- */

/* The series of Smith & Leadbetter 1963 with 160 digits (mpmath); Xie's method agrees to 1e-8. */
START_TEST(expected_renewals_of_a_weibull_life)
{
    static const double shapes[] = {1.5, 2, 3}, spans[] = {0.25, 0.5, 0.75, 1, 1.5, 2, 3, 4};
    static const double want[3][8] = {{0.1219015014, 0.3302698445, 0.5767460879, 0.8415781366, 1.3909151503,
                                       1.9455007999, 3.0537139447, 4.1614286025},
                                      {0.0612246012, 0.2307938936, 0.4741855582, 0.7536912775, 1.3294905393,
                                       1.8940393468, 3.0217450090, 4.1501345314},
                                      {0.0155157270, 0.1182626690, 0.3522851402, 0.6723291002, 1.2552351325,
                                       1.8010752569, 2.9247749228, 4.0453387883}};
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 8; j++) {
            near_absolute("renewals", renewal_function(shapes[i], 1, spans[j]), want[i][j], 1e-10);
            near_absolute("in hours", renewal_function(shapes[i], 30000, 30000 * spans[j]), want[i][j],
                          1e-10);
        }
}
END_TEST

/* The series of McShane and others 2008 in mpmath; discretised convolution agrees to 9 digits. */
START_TEST(counts_of_a_new_unit)
{
    static const double one[] = {0.367879441171, 0.518962426881, 0.105057483235, 0.00779585869,
                                 0.000297752987};
    static const double rare[] = {6.92729e-06, 1.08512e-07};
    static const double two[] = {0.018315638889, 0.323799954231, 0.443919943555, 0.177453862473,
                                 0.032779675680, 0.003478854613, 0.000239995316};
    struct distribution d = renewal_count(2, 1, 0, 1, mem);
    for (int k = 0; k < 3; k++)
        near_relative("new, one life", d.p[k], one[k], 1e-10);
    near_absolute("new, one life", d.p[3], one[3], 5e-12);
    near_absolute("new, one life", d.p[4], one[4], 5e-13);
    near_absolute("new, one life", d.p[5], rare[0], 5e-12);
    near_absolute("new, one life", d.p[6], rare[1], 5e-13);
    d = renewal_count(2, 1, 0, 2, mem);
    near_values("new, two lives", &d, two, 7, 5e-13);
}
END_TEST

/* Delayed renewal by discretised convolution, nine digits. */
START_TEST(counts_where_an_aged_unit_stands)
{
    static const double half[] = {0.135335283, 0.605807281, 0.232147461,
                                  0.025393822, 0.001278588, 0.000036867};
    static const double fan[] = {0.552788330, 0.396646085, 0.047856102, 0.002621729, 0.000085807};
    struct distribution d = renewal_count(2, 1, 0.5, 1, mem);
    near_values("aged half a life", &d, half, 6, 1e-9);
    d = renewal_count(1.5, 20000, 12000, 8760, mem);
    near_values("a fan of 12000 h for a year", &d, fan, 5, 1e-9);
    near_absolute("its mean", distribution_mean(&d), 0.500576469, 1e-8);
}
END_TEST

/* With the residual life of a place long in use, the expected number is the span over the mean life, whatever
 * the shape: the elementary renewal theorem holds at once. Steep lives go by the gamma distribution. */
START_TEST(a_place_long_in_use_renews_at_the_mean_rate)
{
    static const double shapes[] = {0.4, 0.7, 1, 1.2, 2.5, 5, 20}, spans[] = {0.01, 0.1, 0.6, 1.6, 4, 12};
    for (int i = 0; i < 7; i++)
        for (int j = 0; j < 6; j++) {
            struct distribution d = renewal_count(shapes[i], 1, D_NAN, spans[j], mem);
            double want = spans[j] / tgamma(1 + 1 / shapes[i]);
            bool grid = 20 + 8 * fmax(1, shapes[i]) * spans[j] <= 200;
            if (grid)
                near_relative("mean rate", distribution_mean(&d), want, 1e-10);
            else
                near_absolute("mean rate, beyond the grid", distribution_mean(&d) / want, 1, 5e-4);
            near_absolute("sum", total(&d), 1, 1e-12);
        }
}
END_TEST

START_TEST(a_life_without_memory_gives_poisson_counts)
{
    static const double ages[] = {0, 0.3, 50, D_NAN};
    for (int i = 0; i < 4; i++)
        for (double span = 0.1; span < 20; span *= 3) {
            struct distribution d = renewal_count(1, 1, ages[i], span, mem);
            for (int k = 0; k < 30; k++)
                near_absolute("Poisson", (size_t)k < d.size ? d.p[k] : 0, count_probability(k, span, span),
                              1e-12);
        }
}
END_TEST

START_TEST(other_evidence_replaces_the_first_failure)
{
    struct distribution by_age = renewal_count(2, 1, 0.5, 1, mem);
    double first = 1 - by_age.p[0];
    struct distribution same = renewal_count_given(first, 2, 1, 0.5, 1, mem);
    near_values("its own probability", &same, by_age.p, by_age.size, 1e-14);
    struct distribution half = renewal_count_given(first / 2, 2, 1, 0.5, 1, mem);
    near_relative("none", half.p[0], 1 - first / 2, 1e-14);
    for (size_t k = 1; k < 6; k++)
        near_relative("half as often", half.p[k], by_age.p[k] / 2, 1e-9);
    struct distribution sure = renewal_count_given(1, 5, 1e5, 0, 1, mem); /* by age it could not be */
    near_absolute("sure", sure.p[1], 1, 1e-12);
    struct distribution never = renewal_count_given(0, 2, 1, 0.5, 1, mem);
    ck_assert(never.p[0] == 1);
    struct distribution no_span = renewal_count(2, 1, 0.5, 0, mem);
    ck_assert(no_span.size == 1 && no_span.p[0] == 1);
}
END_TEST

START_TEST(a_longer_span_never_needs_fewer)
{
    for (double shape = 0.5; shape < 4; shape += 0.7) {
        double last = 0;
        for (double span = 0; span < 3; span += 0.2) {
            struct distribution d = renewal_count(shape, 1, 0.4, span, mem);
            ck_assert(distribution_mean(&d) >= last);
            last = distribution_mean(&d);
        }
    }
}
END_TEST

/* ---- demand of a fleet ---- */

START_TEST(demand_is_the_sum_of_the_fans)
{
    struct small_fleet f;
    struct demand *items;
    small_fleet_init(&f);
    small_fleet_add(&f, 0, 0, 0.6, 20000);
    small_fleet_add(&f, 1, 0, 0.2, 10000);
    small_fleet_add(&f, 0, 0, 0.1, D_NAN);
    small_fleet_add(&f, 0, 1, D_NAN, 5000); /* by its age alone */

    size_t n = demand_of(&f.a, 30, mem, &items);
    static const struct {
        const char *part, *site;
        int fans;
    } want[] = {{"K-10", "alder", 2},
                {"K-10", "birch", 1},
                {"K-20", "alder", 1},
                {"K-10", NULL, 3},
                {"K-20", NULL, 1}};
    ck_assert_uint_eq(n, 5);
    for (size_t i = 0; i < n; i++) {
        ck_assert_str_eq(items[i].part->part, want[i].part);
        ck_assert(want[i].site ? !strcmp(items[i].site->site, want[i].site) : !items[i].site);
        ck_assert_int_eq(items[i].fans, want[i].fans);
        near_absolute("sum", total(&items[i].count), 1, 1e-12);
    }
    near_relative("none at alder", items[0].count.p[0], 0.4 * 0.9, 1e-13);
    near_relative("none anywhere", items[3].count.p[0], 0.4 * 0.9 * 0.8, 1e-13);
    near_relative("none of the other", items[2].count.p[0], 1 - life_conditional(&f.lives[1], 5000, 720),
                  1e-12);
    double mean = distribution_mean(&items[0].count);
    ck_assert_msg(mean > 0.7 && mean < 0.71, "a replaced fan can fail again: %.6f", mean);
    near_relative("sites add up", distribution_mean(&items[3].count),
                  mean + distribution_mean(&items[1].count), 1e-12);
}
END_TEST

START_TEST(demand_of_a_superseded_part_goes_to_its_successor)
{
    struct small_fleet f;
    struct demand *items;
    small_fleet_init(&f);
    small_fleet_add(&f, 0, 0, 0.3, 20000);
    small_fleet_add(&f, 0, 2, 0.5, 20000);
    size_t n = demand_of(&f.a, 30, mem, &items);
    ck_assert_uint_eq(n, 2);
    ck_assert_str_eq(items[0].part->part, "K-10");
    ck_assert_int_eq(items[0].fans, 2);
    ck_assert_int_eq(items[0].superseded, 1);

    f.parts[0].successor = &f.parts[2]; /* a ring: a mistake of the register, but no endless loop */
    ck_assert_uint_eq(demand_of(&f.a, 30, mem, &items), 4); /* each is ordered for itself */
}
END_TEST

START_TEST(fans_that_nothing_is_known_of_are_counted_apart)
{
    struct small_fleet f;
    struct demand *items;
    small_fleet_init(&f);
    for (int i = 0; i < 3; i++)
        f.lives[i] = (struct life_model){.method = LIFE_NO_DATA, .shape = D_NAN, .scale = D_NAN};
    f.a.life.all = f.lives[0];
    small_fleet_add(&f, 0, 0, 0.25, 20000);
    small_fleet_add(&f, 0, 0, D_NAN, 20000);
    ck_assert_uint_eq(demand_of(&f.a, 30, mem, &items), 2);
    ck_assert(items[0].fans == 2 && items[0].unjudged == 1 && items[0].count.size == 2);
    near_relative("the other", items[0].count.p[1], 0.25, 1e-14);
    small_fleet_add(&f, 0, 0, 0.25, 20000)->fan = &(struct fan){.model = NULL}; /* no part known: left out */
    ck_assert_uint_eq(demand_of(&f.a, 30, mem, &items), 2);
    ck_assert_int_eq(items[0].fans, 2);
}
END_TEST

START_TEST(another_span_scales_the_hazard_as_the_life_model_does)
{
    struct small_fleet f;
    struct demand_place *places;
    int unjudged;
    small_fleet_init(&f);
    double judged = life_conditional(&f.lives[0], 20000, 24 * 30);
    small_fleet_add(&f, 0, 0, judged, 20000);
    size_t n = demand_places(&f.a, mem, &places);
    struct demand_renewals *r = demand_renewals_new(&f.a, mem);
    for (double days = 1; days < 400; days *= 3) {
        struct distribution d = demand_within(r, places, n, days, mem, &unjudged);
        near_relative("as the life has it", d.p[0], 1 - life_conditional(&f.lives[0], 20000, 24 * days),
                      1e-12);
    }
    f.fan_risks[0].probability = 0.5; /* evidence: more than the age says */
    double last = 0;
    for (double days = 1; days < 400; days *= 1.5) {
        struct distribution d = demand_within(r, places, n, days, mem, &unjudged);
        ck_assert(distribution_mean(&d) > last);
        last = distribution_mean(&d);
    }
    struct distribution d = demand_within(r, places, n, 30, mem, &unjudged);
    near_relative("as judged", d.p[0], 0.5, 1e-14);
}
END_TEST

/* ---- demand histories ---- */

enum { LUBRICANT = 36 };
static const double lubricant[LUBRICANT + 12] = {0, 2, 0, 1, 0, 11, 0, 0, 0, 0, 2, 0, 6, 3, 0, 0, 0, 0,
                                                 0, 7, 0, 0, 0, 0,  0, 0, 0, 3, 1, 0, 0, 1, 0, 1, 0, 0};

/* Hyndman & Athanasopoulos, Forecasting: Principles and Practice, 2nd ed., 12.2 (prints 0.985); R's
 * forecast::croston and tsintermittent. */
START_TEST(the_lubricant_series)
{
    static const struct {
        double alpha, beta, croston, sba, tsb;
    } want[] = {
        {0.1, 0.02, 0.98459652135777, 0.93536669529, 1.0919206407176},
        {0.1, 0.05, 0.98459652135777, 0.93536669529, 0.905952542570},
        {0.1, 0.1, 0.98459652135777, 0.93536669529, 0.835044510939},
        {0.1, 0.2, 0.98459652135777, 0.93536669529, 0.811678557156},
        {0.05, 0.1, 1.02734691102, 1.00166323824, D_NAN},
        {0.2, 0.1, 0.848411662176, D_NAN, D_NAN},
        {0.3, 0.1, 0.715587379638, D_NAN, D_NAN},
    };
    struct demand_history h;
    for (int i = 0; i < 7; i++) {
        demand_from_history(lubricant, LUBRICANT, want[i].alpha, want[i].beta, mem, &h);
        near_relative("Croston", h.croston, want[i].croston, 1e-11);
        if (!isnan(want[i].sba))
            near_relative("Syntetos-Boylan", h.sba, want[i].sba, 1e-11);
        if (!isnan(want[i].tsb))
            near_relative("Teunter-Syntetos-Babai", h.tsb, want[i].tsb, 1e-11);
    }
    demand_from_history(lubricant, LUBRICANT, 0.1, 0.1, mem, &h);
    near_absolute("printed", h.croston, 0.985, 5e-4);
    near_relative("interval", h.adi, 3.27272727273, 1e-11);
    near_relative("variation", h.cv2, 0.797783933518, 1e-11);
    ck_assert_int_eq(h.class, DEMAND_LUMPY);
    near_absolute("sum", total(&h.count), 1, 1e-12);
    near_relative("mean", distribution_mean(&h.count),
                  !strcmp(h.chosen, "croston") ? h.croston
                  : !strcmp(h.chosen, "sba")   ? h.sba
                                               : h.tsb,
                  1e-9);

    /* a year without demand: Croston does not notice */
    demand_from_history(lubricant, LUBRICANT + 12, 0.1, 0.1, mem, &h);
    near_relative("Croston, a year later", h.croston, 0.98459652135777, 1e-11);
    near_relative("Teunter-Syntetos-Babai, a year later", h.tsb, 0.235841234165, 1e-11);
}
END_TEST

START_TEST(a_part_that_died_out_is_left_to_the_method_that_sees_it)
{
    double dying[80] = {0};
    struct demand_history h;
    for (int i = 0; i < 20; i++)
        dying[i] = 3 + i % 2;
    demand_from_history(dying, 80, 0.1, 0.1, mem, &h);
    ck_assert_str_eq(h.chosen, "tsb");
    ck_assert(h.tsb < 0.02 && h.croston > 3);
}
END_TEST

START_TEST(histories_with_hardly_any_demand)
{
    static const double none[6] = {0}, one[6] = {0, 0, 4, 0, 0, 0};
    struct demand_history h;
    demand_from_history(none, 6, 0.1, 0.1, mem, &h);
    ck_assert(h.croston == 0 && h.sba == 0 && h.tsb == 0 && isnan(h.adi) && h.class == DEMAND_UNDEFINED);
    ck_assert(h.count.size >= 1 && h.count.p[0] == 1);
    demand_from_history(none, 0, 0.1, 0.1, mem, &h);
    ck_assert(h.count.p[0] == 1);
    demand_from_history(one, 6, 0.1, 0.1, mem, &h);
    near_relative("one demand", h.croston, 4 / 3., 1e-14);
    ck_assert(h.class == DEMAND_UNDEFINED && h.adi == 6 && h.cv2 == 0);
}
END_TEST

/* ---- 1337 histories ---- */

enum { PARTS = 1337, MONTHS = 51, TRAINING = 45 };

static size_t read_histories(double (*history)[MONTHS])
{
    char path[500];
    snprintf(path, sizeof path, "%s/demand/carparts_odd.csv", TEST_DATA);
    FILE *file = fopen(path, "r");
    ck_assert_msg(file, "cannot open %s", path);
    char *line = NULL;
    size_t room = 0, month = 0;
    ck_assert(getline(&line, &room, file) > 0); /* the head */
    for (; month < MONTHS && getline(&line, &room, file) > 0; month++) {
        char *at = strchr(line, ',');
        for (int part = 0; part < PARTS; part++) {
            ck_assert(at);
            history[part][month] = at[1] == 'N' ? D_NAN : strtod(at + 1, NULL);
            at = strchr(at + 1, ',');
        }
    }
    free(line);
    fclose(file);
    return month;
}

/* Errors of constant forecasts for the last 6 months, scaled by the mean step within the first 45. */
struct scaled {
    double mase, rmsse, error;
};

static void add_scaled(struct scaled *sum, const double *x, double forecast)
{
    double steps = 0, squares = 0, off = 0, off_squares = 0, error = 0;
    for (int i = 1; i < TRAINING; i++) {
        steps += fabs(x[i] - x[i - 1]) / (TRAINING - 1);
        squares += (x[i] - x[i - 1]) * (x[i] - x[i - 1]) / (TRAINING - 1);
    }
    for (int i = TRAINING; i < MONTHS; i++) {
        off += fabs(x[i] - forecast) / (MONTHS - TRAINING);
        off_squares += (x[i] - forecast) * (x[i] - forecast) / (MONTHS - TRAINING);
        error += (x[i] - forecast) / (MONTHS - TRAINING);
    }
    sum->mase += off / steps;
    sum->rmsse += sqrt(off_squares / squares);
    sum->error += error;
}

static bool is_usable(const double *x)
{
    int demands = 0, early = 0;
    for (int i = 0; i < MONTHS; i++) {
        if (isnan(x[i]))
            return false;
        demands += x[i] > 0;
        early += i < TRAINING && x[i] > 0;
    }
    return demands >= 10 && early >= 2;
}

/* Car parts of Hyndman and others 2008: the classes of the whole histories, and the accuracy of the methods
 * on those with 10 demands; R 4.2.2 for both. */
START_TEST(the_methods_on_car_parts)
{
    static double history[PARTS][MONTHS];
    static const struct scaled want[3] = {{1.0101359922, 0.6978276528, -0.1435737362},
                                          {0.9914751419, 0.6873735600, -0.1096471419},
                                          {0.9753370983, 0.6635758322, -0.2118117676}};
    struct scaled sums[3] = {{0}};
    int classes[DEMAND_UNDEFINED + 1] = {0}, used = 0;
    struct demand_history h;

    ck_assert_uint_eq(read_histories(history), MONTHS);
    for (int part = 0; part < PARTS; part++) {
        if (!is_usable(history[part]))
            continue;
        used++;
        demand_from_history(history[part], TRAINING, 0.1, 0.05, mem, &h);
        add_scaled(&sums[0], history[part], h.croston);
        add_scaled(&sums[1], history[part], h.sba);
        add_scaled(&sums[2], history[part], h.tsb);
    }
    ck_assert_int_eq(used, 677);
    for (int m = 0; m < 3; m++) {
        near_relative("MASE", sums[m].mase / used, want[m].mase, 1e-9);
        near_relative("RMSSE", sums[m].rmsse / used, want[m].rmsse, 1e-9);
        near_relative("mean error", sums[m].error / used, want[m].error, 1e-9);
    }
    for (int part = 0; part < PARTS; part++) {
        bool whole = true;
        for (int i = 0; i < MONTHS; i++)
            whole &= !isnan(history[part][i]);
        if (!whole)
            continue;
        demand_from_history(history[part], MONTHS, 0.1, 0.05, mem, &h);
        classes[h.class]++;
    }
    ck_assert_int_eq(classes[DEMAND_INTERMITTENT], 1070);
    ck_assert_int_eq(classes[DEMAND_LUMPY], 169);
    ck_assert_int_eq(classes[DEMAND_SMOOTH] + classes[DEMAND_ERRATIC], 0);
    ck_assert_int_eq(classes[DEMAND_UNDEFINED], 17);
}
END_TEST

static void add_renewal_tests(TCase *cases)
{
    tcase_add_checked_fixture(cases, make_arena, drop_arena);
    tcase_add_test(cases, expected_renewals_of_a_weibull_life);
    tcase_add_test(cases, counts_of_a_new_unit);
    tcase_add_test(cases, counts_where_an_aged_unit_stands);
    tcase_add_test(cases, a_place_long_in_use_renews_at_the_mean_rate);
    tcase_add_test(cases, a_life_without_memory_gives_poisson_counts);
    tcase_add_test(cases, other_evidence_replaces_the_first_failure);
    tcase_add_test(cases, a_longer_span_never_needs_fewer);
}

int main(void)
{
    Suite *suite = suite_create("demand");
    TCase *sums = tcase_create("sums"), *renewals = tcase_create("renewals"), *fleet = tcase_create("fleet"),
          *histories = tcase_create("histories");

    near_start();
    tcase_add_checked_fixture(sums, make_arena, drop_arena);
    tcase_add_test(sums, sums_of_unlike_events);
    tcase_add_test(sums, many_events_as_plain_convolution_gives_them);
    tcase_add_test(sums, the_order_of_sums_changes_nothing);
    tcase_add_test(sums, shares_below_and_quantiles_agree);
    add_renewal_tests(renewals);
    tcase_add_checked_fixture(fleet, make_arena, drop_arena);
    tcase_add_test(fleet, demand_is_the_sum_of_the_fans);
    tcase_add_test(fleet, demand_of_a_superseded_part_goes_to_its_successor);
    tcase_add_test(fleet, fans_that_nothing_is_known_of_are_counted_apart);
    tcase_add_test(fleet, another_span_scales_the_hazard_as_the_life_model_does);
    tcase_add_checked_fixture(histories, make_arena, drop_arena);
    for (size_t i = 0; i < 4; i++) /* long for sanitizers on a busy machine */
        tcase_set_timeout((TCase *[]){sums, renewals, fleet, histories}[i], 60);
    tcase_add_test(histories, the_lubricant_series);
    tcase_add_test(histories, a_part_that_died_out_is_left_to_the_method_that_sees_it);
    tcase_add_test(histories, histories_with_hardly_any_demand);
    tcase_add_test(histories, the_methods_on_car_parts);
    suite_add_tcase(suite, sums);
    suite_add_tcase(suite, renewals);
    suite_add_tcase(suite, fleet);
    suite_add_tcase(suite, histories);
    return near_run(suite, "demand");
}
