#include "stock.h"

#include "fleet_data.h"
#include "near.h"
#include "numeric.h"

#include <string.h>

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new((size_t)64 << 20);
}

static void drop_arena(void)
{
    arena_free(mem);
}

/* ---- service of a base stock ---- */

/* Expected backorders of Poisson demand: scipy 1.10; the last from the documentation of stockpyl. */
START_TEST(backorders_of_poisson_demand)
{
    static const double one[] = {1,           .3678794412, .1036383235, .0233369264,
                                 .0043487696, .0006889227, .0000947379};
    static const double four[] = {4,           3.0183156389, 2.1098938333, 1.3479971389, .7814672593,
                                  .4103041944, .1954345815,  .0847606031,  .0336269873};
    struct distribution d = distribution_of_counts(1, 1, mem);
    for (int s = 0; s < 7; s++)
        near_absolute("mean 1", stock_service(&d, s).backorders, one[s], 6e-11);
    d = distribution_of_counts(4, 4, mem);
    for (int s = 0; s < 9; s++)
        near_absolute("mean 4", stock_service(&d, s).backorders, four[s], 6e-11);
    d = distribution_of_counts(15, 15, mem);
    near_relative("mean 15", stock_service(&d, 18).backorders, 0.5176095282584724, 1e-12);
}
END_TEST

/* Sherbrooke 1968, p. 138: prints 0.1036; 0.1485 for a mean of 0.5 or 1.5, a slip for 0.148641. */
START_TEST(backorders_when_the_mean_is_one_of_two)
{
    struct distribution list[2] = {distribution_of_counts(0.5, 0.5, mem),
                                   distribution_of_counts(1.5, 1.5, mem)};
    struct distribution d = distribution_mixture(list, (double[]){0.5, 0.5}, 2, mem);
    near_absolute("either", stock_service(&d, 2).backorders, 0.148641, 5e-7);
    d = distribution_of_counts(1, 1, mem);
    near_absolute("printed", stock_service(&d, 2).backorders, 0.1036, 5e-5);
}
END_TEST

/* scipy 1.10: Poisson with mean 2, and negative binomial with mean 2 and variance 3. */
START_TEST(measures_of_a_base_stock)
{
    static const struct {
        double variance;
        int s;
        double backorders, on_hand, ready, cycle;
    } want[] = {{2, 3, .2180175491, 1.2180175491, .6766764162, .8571234605},
                {2, 5, .0224879923, 3.0224879923, .9473469827, .9834363915},
                {3, 3, .3388203018, 1.3388203018, .6803840878, .8267032465},
                {3, 5, .0775796373, 3.0775796373, .9120560890, .9575776050}};
    for (int i = 0; i < 4; i++) {
        struct distribution d = distribution_of_counts(2, want[i].variance, mem);
        struct service got = stock_service(&d, want[i].s);
        near_absolute("backorders", got.backorders, want[i].backorders, 6e-11);
        near_absolute("on hand", got.on_hand, want[i].on_hand, 6e-11);
        near_absolute("ready rate", got.ready_rate, want[i].ready, 6e-11);
        near_absolute("cycle", got.cycle, want[i].cycle, 6e-11);
    }
}
END_TEST

START_TEST(the_base_stock_is_the_least_that_serves)
{
    for (double mean = 0.01; mean < 50; mean *= 1.7)
        for (double target = 0.5; target < 1; target += 0.07) {
            struct distribution d = distribution_of_counts(mean, 1.3 * mean, mem);
            int s = stock_base(&d, target);
            ck_assert(stock_service(&d, s).ready_rate >= target);
            ck_assert(stock_service(&d, s - 1).ready_rate < target);
        }
    struct distribution d = distribution_of_counts(3, 3, mem);
    ck_assert_int_eq(stock_base(&d, 0), 0);
}
END_TEST

/* ---- the plan ---- */

/* 20 fans at alder for K-10 that fail like Poisson events at about 4 in 35 days, all judged for 35 days. */
static void fill_alder(struct small_fleet *f)
{
    small_fleet_init(f);
    f->a.horizon_days = 35;
    for (int i = 0; i < 20; i++)
        small_fleet_add(f, 0, 0, 0.2, 15000);
}

START_TEST(what_is_missing_is_ordered_and_the_line_says_why)
{
    struct small_fleet f;
    struct order_line *lines;
    fill_alder(&f);
    small_fleet_stock(&f, 0, 0, 1, 0, DAY_UNKNOWN);
    ck_assert_uint_eq(stock_plan(&f.a, 0.95, mem, &lines), 1);

    const struct order_line *line = lines;
    ck_assert(line->part == &f.parts[0] && line->site == &f.sites[0]);
    ck_assert(line->on_hand == 1 && line->on_order == 0 && line->span_days == 35);
    ck_assert_msg(line->mean > 4 && line->mean < 4.1, "20 times 0.2, and a few again: %g", line->mean);
    ck_assert_int_eq(line->quantile, 7); /* R: qbinom(0.95, 20, 0.2) */
    ck_assert_int_eq(line->base_stock, 8);
    ck_assert_int_eq(line->order, 7);
    ck_assert(line->service_without < 0.02 && line->service_with >= 0.95);
    ck_assert_int_eq(line->order_by_day, TODAY);
    ck_assert(line->cost_minor == 7 * 4550);
    ck_assert_str_eq(line->why,
                     "4.0 expected within 35 days, 1 on the shelf, 0 on order: 95 % service needs 8");
}
END_TEST

START_TEST(orders_keep_to_steps_and_minimum)
{
    static const struct {
        int step, least, on_hand, order;
    } cases[] = {{1, 1, 1, 7}, {5, 1, 1, 10}, {1, 12, 1, 12}, {5, 12, 1, 15},
                 {4, 1, 0, 8}, {5, 12, 8, 0}, {0, 0, 3, 5}};
    for (int i = 0; i < 7; i++) {
        struct small_fleet f;
        struct order_line *lines;
        fill_alder(&f);
        f.parts[0].order_multiple = cases[i].step;
        f.parts[0].minimum_order = cases[i].least;
        small_fleet_stock(&f, 0, 0, cases[i].on_hand, 0, DAY_UNKNOWN);
        stock_plan(&f.a, 0.95, mem, &lines);
        ck_assert_msg(lines->order == cases[i].order, "case %d: %d", i, lines->order);
        ck_assert((lines->order_by_day == DAY_UNKNOWN) == (lines->order == 0));
        ck_assert(!strstr(lines->why, "steps") == (lines->order <= 8 - cases[i].on_hand));
    }
}
END_TEST

START_TEST(what_is_on_order_counts_when_it_comes_in_time)
{
    static const struct {
        int32_t due;
        int order;
        const char *words;
    } cases[] = {{TODAY + 35, 4, "1 on the shelf, 3 on order:"},
                 {TODAY - 2, 4, "3 on order:"},
                 {TODAY + 36, 7, "3 on order (3 of them due later):"},
                 {DAY_UNKNOWN, 4, "3 on order (due on no known day):"}};
    for (int i = 0; i < 4; i++) {
        struct small_fleet f;
        struct order_line *lines;
        fill_alder(&f);
        small_fleet_stock(&f, 0, 0, 1, 3, cases[i].due);
        small_fleet_stock(&f, 1, 0, 50, 50, TODAY); /* another site's helps nobody here */
        stock_plan(&f.a, 0.95, mem, &lines);
        ck_assert_msg(lines->order == cases[i].order, "case %d: %d", i, lines->order);
        ck_assert_msg(strstr(lines->why, cases[i].words), "%s", lines->why);
    }
}
END_TEST

START_TEST(an_order_can_wait_while_the_shelf_serves)
{
    struct small_fleet f;
    struct order_line *lines;
    int32_t last = TODAY;
    fill_alder(&f);
    struct stock *shelf = small_fleet_stock(&f, 0, 0, 0, 0, DAY_UNKNOWN);
    for (shelf->on_hand = 0; shelf->on_hand < 8; shelf->on_hand++) {
        stock_plan(&f.a, 0.95, mem, &lines);
        ck_assert(lines->order > 0 && lines->order_by_day >= last);
        last = lines->order_by_day;
    }
    ck_assert_msg(last > TODAY && last < TODAY + STOCK_REVIEW_DAYS, "7 pieces serve for a while: %d",
                  last - TODAY);
    f.parts[0].last_order_day = TODAY + 1;
    shelf->on_hand = 7;
    stock_plan(&f.a, 0.95, mem, &lines);
    ck_assert_int_eq(lines->order_by_day, TODAY + 1);
    ck_assert_msg(strstr(lines->why, "; last order day 2024-10-05"), "%s", lines->why);
    f.parts[0].last_order_day = TODAY - 1;
    stock_plan(&f.a, 0.95, mem, &lines);
    ck_assert(lines->order == 0 && lines->cost_minor == 0);
    ck_assert_msg(strstr(lines->why, "last order day 2024-10-03 has passed, look for a successor"), "%s",
                  lines->why);
}
END_TEST

START_TEST(an_unknown_lead_time_or_price_is_said)
{
    struct small_fleet f;
    struct order_line *lines;
    fill_alder(&f);
    f.parts[0].lead_time_days = D_NAN;
    f.parts[0].price_minor = -1;
    stock_plan(&f.a, 0.95, mem, &lines);
    ck_assert(lines->span_days == STOCK_DEFAULT_LEAD_DAYS + STOCK_REVIEW_DAYS && lines->cost_minor == -1);
    ck_assert_msg(strstr(lines->why, "; lead time not known, 28 days taken"), "%s", lines->why);
}
END_TEST

START_TEST(a_lead_time_that_varies_needs_more)
{
    struct small_fleet f;
    struct order_line *lines;
    fill_alder(&f);
    stock_plan(&f.a, 0.95, mem, &lines);
    int sure = lines->base_stock;
    double mean = lines->mean;
    f.parts[0].lead_time_sd_days = 14;
    stock_plan(&f.a, 0.95, mem, &lines);
    ck_assert_msg(lines->base_stock > sure, "%d against %d", lines->base_stock, sure);
    near_absolute("the mean hardly moves", lines->mean / mean, 1, 0.05);
}
END_TEST

START_TEST(superseded_parts_are_used_where_they_fit)
{
    struct small_fleet f;
    struct order_line *lines;
    fill_alder(&f);
    for (int i = 0; i < 2; i++)
        small_fleet_add(&f, 0, 2, 0.2, 15000); /* two fans with K-05 */
    small_fleet_stock(&f, 0, 0, 1, 0, DAY_UNKNOWN);
    small_fleet_stock(&f, 0, 2, 5, 0, DAY_UNKNOWN); /* five K-05 on the shelf: two can be used */
    ck_assert_uint_eq(stock_plan(&f.a, 0.95, mem, &lines), 2);
    ck_assert_str_eq(lines[0].part->part, "K-10");
    ck_assert_int_eq(lines[0].base_stock, 9); /* R: qbinom(0.95, 22, 0.2) is 8 */
    ck_assert_int_eq(lines[0].order, 9 - 1 - 2);
    ck_assert_msg(strstr(lines[0].why, "2 of the superseded K-05 usable"), "%s", lines[0].why);
    ck_assert_msg(strstr(lines[0].why, "; fans that still have a superseded part: 2 of 22"), "%s",
                  lines[0].why);
    ck_assert_str_eq(lines[1].part->part, "K-05");
    ck_assert_int_eq(lines[1].order, 0);
    ck_assert_str_eq(lines[1].why, "superseded by K-10; 5 on the shelf, 0 on order");
}
END_TEST

START_TEST(parts_that_nothing_takes_are_listed_without_an_order)
{
    struct small_fleet f;
    struct order_line *lines;
    fill_alder(&f);
    small_fleet_stock(&f, 0, 1, 4, 1, DAY_UNKNOWN);
    small_fleet_stock(&f, 1, 0, 2, 0, DAY_UNKNOWN);
    ck_assert_uint_eq(stock_plan(&f.a, 0.95, mem, &lines), 3);
    ck_assert(lines[0].order > 0);
    ck_assert(lines[1].part == &f.parts[0] && lines[1].site == &f.sites[1] && lines[1].base_stock == 0);
    ck_assert(lines[2].part == &f.parts[1] && lines[2].order == 0 && lines[2].mean == 0);
    ck_assert_msg(strstr(lines[2].why, "no fan at the site takes it; 4 on the shelf"), "%s", lines[2].why);

    f.fleet.only_site = "alder";
    ck_assert_uint_eq(stock_plan(&f.a, 0.95, mem, &lines), 2);
}
END_TEST

START_TEST(fans_that_nothing_is_known_of_are_said_and_not_guessed)
{
    struct small_fleet f;
    struct order_line *lines;
    small_fleet_init(&f);
    for (int i = 0; i < 3; i++)
        f.lives[i] = (struct life_model){.method = LIFE_NO_DATA, .shape = D_NAN, .scale = D_NAN};
    f.a.life.all = f.lives[0];
    small_fleet_add(&f, 0, 0, D_NAN, 100);
    ck_assert_uint_eq(stock_plan(&f.a, 0.95, mem, &lines), 1);
    ck_assert(lines->order == 0 && lines->base_stock == 0);
    ck_assert_msg(strstr(lines->why, "fans not counted because nothing is known of their life: 1 of 1"), "%s",
                  lines->why);
    small_fleet_add(&f, 0, 0, 0.1, 100);
    stock_plan(&f.a, 0.95, mem, &lines);
    ck_assert_msg(lines->order > 0 && strstr(lines->why, "life: 1 of 2"), "%s", lines->why);
}
END_TEST

START_TEST(the_drives_behind_an_order_are_the_dearest_eight)
{
    struct small_fleet f;
    struct order_line *lines;
    small_fleet_init(&f);
    for (int i = 0; i < 12; i++)
        small_fleet_add(&f, 0, 0, 0.9 - 0.02 * i, 15000);
    small_fleet_add(&f, 0, 0, 0.1, 15000); /* to watch only */
    stock_plan(&f.a, 0.95, mem, &lines);
    ck_assert_uint_eq(lines->drive_count, 8);
    for (int i = 0; i < 8; i++)
        ck_assert(lines->drives[i] == &f.risks[i]);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("stock");
    TCase *measures = tcase_create("measures"), *plan = tcase_create("plan");

    near_start();
    tcase_add_checked_fixture(measures, make_arena, drop_arena);
    tcase_add_test(measures, backorders_of_poisson_demand);
    tcase_add_test(measures, backorders_when_the_mean_is_one_of_two);
    tcase_add_test(measures, measures_of_a_base_stock);
    tcase_add_test(measures, the_base_stock_is_the_least_that_serves);
    tcase_add_checked_fixture(plan, make_arena, drop_arena);
    tcase_add_test(plan, what_is_missing_is_ordered_and_the_line_says_why);
    tcase_add_test(plan, orders_keep_to_steps_and_minimum);
    tcase_add_test(plan, what_is_on_order_counts_when_it_comes_in_time);
    tcase_add_test(plan, an_order_can_wait_while_the_shelf_serves);
    tcase_add_test(plan, an_unknown_lead_time_or_price_is_said);
    tcase_add_test(plan, a_lead_time_that_varies_needs_more);
    tcase_add_test(plan, superseded_parts_are_used_where_they_fit);
    tcase_add_test(plan, parts_that_nothing_takes_are_listed_without_an_order);
    tcase_add_test(plan, fans_that_nothing_is_known_of_are_said_and_not_guessed);
    tcase_add_test(plan, the_drives_behind_an_order_are_the_dearest_eight);
    suite_add_tcase(suite, measures);
    suite_add_tcase(suite, plan);
    return near_run(suite, "stock");
}
