#include "chart.h"

#include "numeric.h"
#include "rendered.h"

#include <math.h>
#include <unistd.h>

#define COUNT(a) (sizeof(a) / sizeof *(a))
enum { TODAY = 20782, FROM = TODAY - 100, TO = TODAY + 40, DPI = 144 };

static struct arena *mem;
static char dir[64];
static const struct chart_frame frame = {50, 50, 480, 200};

static void setup(void)
{
    mem = arena_new(1 << 28);
    strcpy(dir, "/tmp/vaneward-chart-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
}

static void teardown(void)
{
    output_of(mem, arena_printf(mem, "rm -rf '%s'", dir));
    arena_free(mem);
}

static struct pdf *begin(void)
{
    const struct pdf_info info = {.title = "chart", .created_us = 0};
    struct err err = {0};
    struct pdf *pdf;

    ck_assert_msg(pdf_new(&pdf, PAPER_A4, &info, &err), "%s", err.text);
    pdf_page_begin(pdf);
    return pdf;
}

static const char *save(struct pdf *pdf)
{
    struct err err = {0};
    const char *path = arena_printf(mem, "%s/chart.pdf", dir);

    ck_assert_uint_eq(pdf_lost_marks(pdf), 0);
    ck_assert_msg(pdf_save(pdf, path, &err), "%s", err.text);
    pdf_free(pdf);
    ck_undamaged(mem, path);
    return path;
}

static const char *text_of(const char *path)
{
    return output_of(mem, arena_printf(mem, "pdftotext -layout '%s' - 2>/dev/null", path));
}

static const struct {
    double span;
    int parts;
    double step;
} steps[] = {{10, 5, 2}, {100, 4, 50}, {0.3, 3, 0.1},  {7, 7, 1},
             {7, 6, 2},  {1, 1, 1},    {950, 10, 100}, {0.021, 3, 0.01}};

START_TEST(a_step_is_round_and_gives_no_more_parts_than_asked)
{
    double step = chart_step(steps[_i].span, steps[_i].parts);
    ck_assert_double_eq_tol(step, steps[_i].step, 1e-12);
    ck_assert_double_ge(step * steps[_i].parts, steps[_i].span * (1 - 1e-9));
}
END_TEST

/* Speed 5000 until 40 days ago, then falling; days 60 to 50 ago are missing but for day 55. */
static struct chart_speed falling(void)
{
    int32_t *days = arena_array(mem, int32_t, 120);
    double *speeds = arena_array(mem, double, 120);
    size_t count = 0;

    for (int32_t day = FROM; day < TODAY; day++) {
        int ago = TODAY - day;
        if (ago <= 60 && ago >= 50 && ago != 55)
            continue;
        days[count] = day;
        speeds[count++] = ago > 40 ? 5000 : 5000 - 15.0 * (40 - ago);
    }
    return (struct chart_speed){.from_day = FROM,
                                .today = TODAY,
                                .to_day = TO,
                                .line = {"internal-1", days, speeds, count},
                                .baseline = 5000,
                                .warning = 4100,
                                .baseline_label = "own baseline",
                                .warning_label = "warning speed",
                                .speed_today = 4400,
                                .slope = {-20, -15, -10},
                                .days_to_warning = {15, 20, 30}};
}

/* The accent of the fan's line: blue over red, and dark. */
static bool is_line(const struct image *image, int x, int y)
{
    return dot(image, x, y, 0) < 80 && dot(image, x, y, 2) > dot(image, x, y, 0) + 40;
}

static int column_of(double day)
{
    const double axis = 40; /* room of the labels left of the plot */
    return (int)lround((frame.x + axis + (frame.w - axis) * (day - FROM) / (TO - FROM)) * DPI / 72);
}

static int line_dots(const struct image *image, double day)
{
    int count = 0;
    for (int y = (int)(frame.y * DPI / 72) + 40; y < (int)((frame.y + frame.h) * DPI / 72) - 34; y++)
        count += is_line(image, column_of(day), y);
    return count;
}

START_TEST(a_gap_stays_open_and_a_day_between_gaps_is_a_point)
{
    struct chart_speed chart = falling();
    struct pdf *pdf = begin();

    chart_speed(pdf, &chart, &frame);
    struct image image = page_image(mem, save(pdf), 1, DPI, "");
    ck_assert_int_gt(line_dots(&image, TODAY - 70), 0);
    ck_assert_int_gt(line_dots(&image, TODAY - 20), 0);
    ck_assert_int_gt(line_dots(&image, TODAY - 55), 0);
    for (int ago = 51; ago < 60; ago++)
        if (ago != 55)
            ck_assert_msg(line_dots(&image, TODAY - ago) == 0, "drawn %d days ago", ago);
}
END_TEST

START_TEST(a_chart_is_labelled_where_it_stands_with_units)
{
    static const char *const words[] = {"rev/min", "internal-1", "own baseline", "warning speed", "today",
                                        "20 days", "1 Oct",      "no speed",     "warning",       "cleaned"};
    const struct chart_event events[] = {{TODAY - 80, EVENT_CLEANED}, {TODAY - 30, EVENT_WARNING}};
    struct chart_speed chart = falling();
    struct pdf *pdf = begin();

    chart.events = events;
    chart.event_count = COUNT(events);
    chart_speed(pdf, &chart, &frame);
    const char *text = text_of(save(pdf));
    for (size_t i = 0; i < COUNT(words); i++)
        ck_assert_msg(strstr(text, words[i]), "'%s' is missing", words[i]);
}
END_TEST

START_TEST(what_is_not_known_is_not_drawn)
{
    struct chart_speed chart = falling();
    struct pdf *pdf = begin();

    chart.baseline = chart.warning = chart.speed_today = D_NAN;
    for (int i = 0; i < 3; i++)
        chart.slope[i] = chart.days_to_warning[i] = D_NAN;
    chart_speed(pdf, &chart, &frame);
    const char *text = text_of(save(pdf));
    ck_assert_ptr_null(strstr(text, "baseline"));
    ck_assert_ptr_null(strstr(text, "warning speed"));
    ck_assert_ptr_null(strstr(text, "20 days"));
}
END_TEST

START_TEST(odd_speeds_do_no_harm)
{
    static const double odd[] = {0, D_NAN, 1e-9, 5000, 1e7};
    const int32_t days[] = {TODAY - 90, TODAY - 89, TODAY - 20, TODAY - 19, TODAY - 1};
    struct chart_speed chart = falling();

    for (size_t n = 0; n <= COUNT(odd); n++) {
        struct pdf *pdf = begin();
        chart.line = (struct chart_line){"fan", days, odd, n};
        chart.days_to_warning[1] = chart.days_to_warning[2] = D_INF;
        chart_speed(pdf, &chart, &frame);
        save(pdf);
    }
}
END_TEST

START_TEST(many_events_keep_their_signs_and_never_overlap)
{
    struct chart_event events[60];
    struct chart_speed chart = falling();
    struct pdf *pdf = begin();

    for (size_t i = 0; i < COUNT(events); i++)
        events[i] = (struct chart_event){(int32_t)(FROM + i), (enum chart_event_kind)(i % 7)};
    chart.events = events;
    chart.event_count = COUNT(events);
    chart_speed(pdf, &chart, &frame);
    ck_words_apart(mem, save(pdf));
}
END_TEST

START_TEST(demand_is_drawn_up_to_what_matters)
{
    double p[200] = {0.2, 0.4, 0.25, 0.1, 0.05};
    const int quantiles[] = {1, 2, 4};
    const char *const labels[] = {"50 %", "80 %", "95 %"};
    const struct chart_demand chart = {p, COUNT(p), 2, quantiles, labels, COUNT(labels)};
    struct pdf *pdf = begin();

    chart_demand(pdf, &chart, &frame);
    const char *path = save(pdf), *text = text_of(path);
    for (size_t i = 0; i < COUNT(labels); i++)
        ck_assert_ptr_nonnull(strstr(text, labels[i]));
    ck_assert_ptr_nonnull(strstr(text, " 4\n")); /* the last of five bars */
    ck_assert_ptr_nonnull(strstr(text, "40 %"));
    ck_words_apart(mem, path);
}
END_TEST

START_TEST(no_demand_at_all_is_one_bar)
{
    const double p[] = {1};
    const int quantiles[] = {0, 0, 0};
    const char *const labels[] = {"50 %", "80 %", "95 %"};
    const struct chart_demand chart = {p, 1, -1, quantiles, labels, COUNT(labels)};
    struct pdf *pdf = begin();

    chart_demand(pdf, &chart, &frame);
    ck_words_apart(mem, save(pdf));
}
END_TEST

START_TEST(shares_need_no_drives)
{
    const int none[MARKS] = {0}, some[MARKS] = {[MARK_NOW] = 1, [MARK_WATCH] = 30, [MARK_UNKNOWN] = 2};
    struct pdf *pdf = begin();

    chart_shares(pdf, none, 0, &frame);
    chart_shares(pdf, some, 33, &frame);
    ck_assert_ptr_nonnull(strstr(text_of(save(pdf)), "30"));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("chart");
    TCase *cases = tcase_create("chart");

    tcase_set_timeout(cases, 60);
    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_loop_test(cases, a_step_is_round_and_gives_no_more_parts_than_asked, 0, COUNT(steps));
    tcase_add_test(cases, a_gap_stays_open_and_a_day_between_gaps_is_a_point);
    tcase_add_test(cases, a_chart_is_labelled_where_it_stands_with_units);
    tcase_add_test(cases, what_is_not_known_is_not_drawn);
    tcase_add_test(cases, odd_speeds_do_no_harm);
    tcase_add_test(cases, many_events_keep_their_signs_and_never_overlap);
    tcase_add_test(cases, demand_is_drawn_up_to_what_matters);
    tcase_add_test(cases, no_demand_at_all_is_one_bar);
    tcase_add_test(cases, shares_need_no_drives);
    suite_add_tcase(suite, cases);

    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
