#include "base/episode.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct arena *mem;

static void make_arena(void)
{
    mem = arena_new(64 * 1024 * 1024);
}

static void free_arena(void)
{
    arena_free(mem);
}

/* What the codes of these tests mean. */
static enum code_kind kind_of(const char *code)
{
    switch (code[0]) {
    case 'W':
        return CODE_FAN_WARNING;
    case 'A':
        return CODE_FAN_ALARM;
    case 'S':
        return CODE_HEAT_SINK_FAN_ALARM;
    case 'B':
        return CODE_BUILDER_FAN_MESSAGE;
    default:
        return CODE_OTHER;
    }
}

static enum fault_level level_of(char c)
{
    switch (c) {
    case 'n':
        return LEVEL_NORMAL;
    case 'w':
        return LEVEL_WARNING;
    case 'a':
        return LEVEL_ALARM;
    case 'l':
        return LEVEL_LISTED;
    default:
        return LEVEL_UNAVAILABLE;
    }
}

/* "W1,W2," to a line for each. */
static const char *lines_of(const char *ids)
{
    char *lines = arena_strdup(mem, ids);
    for (char *c = lines; *c; c++)
        *c = *c == ',' ? '\n' : *c;
    return lines;
}

/*
 * Reads "seconds item level code[:id]; ...": levels are n(ormal), w(arning), a(larm), u(navailable); "-" is
 * no code. Of l(isted) the code is a list of ids, each with a comma behind it.
 */
static size_t reports_of(const char *story, struct fault_report *reports)
{
    size_t n = 0;
    char *copy = arena_strdup(mem, story), *place = NULL;
    for (char *one = strtok_r(copy, ";", &place); one; one = strtok_r(NULL, ";", &place), n++) {
        int seconds;
        char item[16], level, code[32];
        ck_assert_int_eq(sscanf(one, " %d %15s %c %31s", &seconds, item, &level, code), 4);
        char *id = strchr(code, ':');
        if (id)
            *id++ = '\0';
        if (strcmp(code, "-") == 0)
            code[0] = '\0';
        reports[n] = (struct fault_report){
            .at_us = seconds * US_PER_S,
            .item = arena_strdup(mem, item),
            .id = arena_strdup(mem, id ? id : code),
            .code = code[0] ? arena_strdup(mem, code) : NULL,
            .level = level_of(level),
            .kind = kind_of(code),
            .listed = lines_of(code),
        };
    }
    return n;
}

static const char *say_moment(int64_t us)
{
    return us == TIME_UNKNOWN ? "-" : arena_printf(mem, "%ld", (long)(us / US_PER_S));
}

/* "fan began alarm ended outcome reports[ unseen]; ..." */
static const char *tell(const struct fault_report *reports, size_t count)
{
    struct episode *e;
    size_t n;
    const char *told = "";
    episodes_of(reports, count, mem, &e, &n);
    for (size_t k = 0; k < n; k++) {
        const char *began = say_moment(e[k].began_us), *alarm = say_moment(e[k].alarm_us);
        const char *ended = say_moment(e[k].ended_us);
        told = arena_printf(mem, "%s%s%s %s %s %s, %s, %d%s", told, k ? "; " : "",
                            e[k].fault == FAULT_FAN ? "fan" : "heat sink", began, alarm, ended,
                            episode_outcome_word(e[k].outcome), e[k].reports,
                            e[k].ended_us != TIME_UNKNOWN && !e[k].end_seen ? ", end unseen" : "");
    }
    return told;
}

static const struct {
    const char *name, *story, *expected;
} stories[] = {
    {"nothing", "0 x n -", ""},
    {"a warning that clears", "0 x n -; 100 x w W1; 160 x n -", "fan 100 - 160, cleared by itself, 1"},
    {"a warning that clears by its code", "100 x w W1; 160 x n W1", "fan 100 - 160, cleared by itself, 1"},
    {"another code does not clear it", "100 x w W1; 160 x n Q9", "fan 100 - -, open, 1"},
    {"a warning before an alarm", "100 x w W1; 160 x a A2; 161 x n W1; 900 x n -",
     "fan 100 160 900, ended in alarm, 2"},
    {"one code for both", "100 x w W1; 160 x a W1; 900 x n -", "fan 100 160 900, ended in alarm, 2"},
    {"an alarm that was not announced", "160 x a A2; 900 x n -", "fan 160 160 900, unannounced, 1"},
    {"an alarm in the same instant as its warning", "160 x w W1; 160 x a A2; 900 x n -",
     "fan 160 160 900, unannounced, 2"},
    {"still in alarm", "100 x w W1; 160 x a A2", "fan 100 160 -, open, 2"},
    {"an alarm code that comes as a warning", "160 x w A2; 900 x n -", "fan 160 160 900, unannounced, 1"},
    {"two axes of one drive", "100 x w W1; 101 y w W1; 150 y n -; 160 x n -",
     "fan 100 - 160, cleared by itself, 2"},
    {"axes that clear and warn within the hold", "100 x w W1; 150 x n -; 159 y w W1; 200 y n -",
     "fan 100 - 200, cleared by itself, 2"},
    {"two faults ten seconds apart", "100 x w W1; 150 x n -; 160 x w W1; 200 x n -",
     "fan 100 - 150, cleared by itself, 1; fan 160 - 200, cleared by itself, 1"},
    {"a repeated warning", "100 x w W1; 110 x w W1; 120 x w W1; 160 x n -",
     "fan 100 - 160, cleared by itself, 1"},
    {"two codes on one item, cleared one by one", "100 x w W1; 110 x w W2; 120 x n W1; 160 x n W2",
     "fan 100 - 160, cleared by itself, 2"},
    {"two codes on one item, cleared together", "100 x w W1; 110 x w W2; 160 x n -",
     "fan 100 - 160, cleared by itself, 2"},
    {"a condition id that a normal names by code", "100 x w W1:7; 160 x n W1",
     "fan 100 - 160, cleared by itself, 1"},
    {"two condition ids of one code", "100 x w W1:7; 110 x w W1:8; 120 x n W1:7; 160 x n W1:8",
     "fan 100 - 160, cleared by itself, 2"},
    {"a transition of one condition id", "100 x w W1:7; 160 x a A2:7; 300 x n -",
     "fan 100 160 300, ended in alarm, 2"},
    {"a transition of one condition id that a normal names by its last code",
     "100 x w W1:7; 160 x a A2:7; 300 x n A2", "fan 100 160 300, ended in alarm, 2"},
    {"unavailable and back", "100 x w W1; 200 x u -; 500 x w W1; 560 x n -",
     "fan 100 - 560, cleared by itself, 1"},
    {"unavailable and then normal", "100 x w W1; 200 x u -; 500 x n -",
     "fan 100 - 500, cleared by itself, 1, end unseen"},
    {"unavailable to the end", "100 x w W1; 200 x u -", "fan 100 - -, open, 1"},
    {"unavailable without a fault", "100 x u -; 200 x n -; 300 x u -", ""},
    {"an alarm seen only after unavailable", "100 x w W1; 200 x u -; 500 x a A2; 510 x n -",
     "fan 100 500 510, ended in alarm, 2, end unseen"},
    {"one of two ended unseen", "100 x w W1; 110 x a W2; 500 x l W2,; 600 x n -",
     "fan 100 110 600, ended in alarm, 2"},
    {"the later of two ended unseen", "100 x w W1; 110 x w S3; 500 x l S3,; 600 x n -",
     "fan 100 - 500, cleared by itself, 1, end unseen; heat sink 110 - 600, cleared by itself, 1"},
    {"all ended unseen", "100 x w W1; 500 x l -", "fan 100 - 500, cleared by itself, 1, end unseen"},
    {"what is listed goes on", "100 x w W1; 500 x l Q9,W1,", "fan 100 - -, open, 1"},
    {"what is listed is no longer unknown", "100 x w W1; 200 x u -; 500 x l W1,; 600 x n -",
     "fan 100 - 600, cleared by itself, 1"},
    {"a list names ids", "100 x w W1:7; 500 x l W1,", "fan 100 - 500, cleared by itself, 1, end unseen"},
    {"a list of longer names", "100 x w W1; 500 x l W11,xW1,",
     "fan 100 - 500, cleared by itself, 1, end unseen"},
    {"a list of another item", "100 x w W1; 500 y l -", "fan 100 - -, open, 1"},
    {"a list after the end was seen", "100 x w W1; 160 x n W1; 500 x l -",
     "fan 100 - 160, cleared by itself, 1"},
    {"a list that is ahead of the equipment's clock", "100 x w W1; 500 x l -; 400 y w W1; 450 y n -",
     "fan 100 - 500, cleared by itself, 2, end unseen"},
    {"the heat-sink fan is another fault", "100 x w W1; 120 x a S3; 160 x n W1; 300 x n S3",
     "fan 100 - 160, cleared by itself, 1; heat sink 120 120 300, unannounced, 1"},
    {"a heat-sink fan that warns by the code of its alarm", "100 x w S3; 160 x a S3; 300 x n -",
     "heat sink 100 160 300, ended in alarm, 2"},
    {"other codes are nobody's fan", "100 x a Q9; 300 x n -", ""},
    {"a builder's message alone", "100 b a B5; 300 b n -", "fan 100 - 300, cleared by itself, 1"},
    {"a builder's message within an episode", "100 x w W1; 105 b w B5; 160 x n -; 300 b n -",
     "fan 100 - 160, cleared by itself, 2"},
    {"a builder's message just before", "95 b w B5; 100 x w W1; 160 x n -; 300 b n -",
     "fan 100 - 160, cleared by itself, 2"},
    {"a builder's message that warns long before", "10 b w B5; 100 x a A2; 160 x n -; 170 b n -",
     "fan 10 100 170, ended in alarm, 2"},
    {"a clock set back", "100 x w W1; 90 x n -; 80 y w W1; 200 y n -", "fan 100 - 200, cleared by itself, 2"},
    {"a normal while another axis is active", "100 x w W1; 110 y w W1; 120 x n -; 130 x w W1; 140 x n -",
     "fan 100 - -, open, 3"},
};

START_TEST(stories_of_one_drive)
{
    struct fault_report reports[32];
    size_t n = reports_of(stories[_i].story, reports);
    const char *told = tell(reports, n);
    ck_assert_msg(strcmp(told, stories[_i].expected) == 0, "%s:\n  got      '%s'\n  expected '%s'",
                  stories[_i].name, told, stories[_i].expected);
}
END_TEST

enum { RANDOM_REPORTS = 60 };

static size_t random_story(unsigned seed, struct fault_report *reports)
{
    static const char *const items[] = {"x", "y", "z"}, *const codes[] = {"W1", "W2", "A3", "S4", "B5", "Q6"};
    srand(seed);
    int64_t at = 0;
    for (size_t k = 0; k < RANDOM_REPORTS; k++) {
        at += rand() % 3 ? rand() % 8 * US_PER_S : rand() % 90 * US_PER_S;
        const char *code = codes[rand() % 6];
        enum fault_level level = (enum fault_level)(rand() % 5);
        bool bare = (level == LEVEL_NORMAL && rand() % 2) || level == LEVEL_UNAVAILABLE;
        reports[k] = (struct fault_report){.at_us = at,
                                           .item = items[rand() % 3],
                                           .id = bare ? "" : code,
                                           .code = bare ? NULL : code,
                                           .level = level,
                                           .kind = kind_of(code),
                                           .listed = arena_printf(mem, "%s\n", code)};
    }
    return RANDOM_REPORTS;
}

START_TEST(episodes_of_one_fault_never_overlap)
{
    struct fault_report reports[RANDOM_REPORTS];
    struct episode *e;
    size_t n, count = random_story((unsigned)_i, reports);
    episodes_of(reports, count, mem, &e, &n);
    int64_t ended[2] = {INT64_MIN, INT64_MIN};
    for (size_t k = 0; k < n; k++) {
        ck_assert_msg(ended[e[k].fault] == INT64_MIN || e[k].began_us >= ended[e[k].fault] + EPISODE_HOLD_US,
                      "seed %d: %s", _i, tell(reports, count));
        ended[e[k].fault] = e[k].ended_us == TIME_UNKNOWN ? INT64_MAX - EPISODE_HOLD_US : e[k].ended_us;
        ck_assert(e[k].ended_us == TIME_UNKNOWN || e[k].ended_us >= e[k].began_us);
        ck_assert(e[k].alarm_us == TIME_UNKNOWN || e[k].alarm_us >= e[k].began_us);
        ck_assert_int_ge(e[k].reports, 1);
        ck_assert((e[k].outcome == EPISODE_OPEN) == (e[k].ended_us == TIME_UNKNOWN));
    }
}
END_TEST

START_TEST(a_repeated_report_changes_nothing)
{
    struct fault_report reports[RANDOM_REPORTS], twice[2 * RANDOM_REPORTS];
    size_t count = random_story((unsigned)_i, reports);
    for (size_t k = 0; k < 2 * count; k++)
        twice[k] = reports[k / 2];
    ck_assert_str_eq(tell(reports, count), tell(twice, 2 * count));
}
END_TEST

/* Reports of different items in one instant have no order among them. */
START_TEST(the_order_within_an_instant_does_not_matter)
{
    struct fault_report reports[RANDOM_REPORTS];
    size_t count = random_story((unsigned)_i, reports);
    for (size_t k = 0; k < count; k++) /* many instants with several reports */
        reports[k].at_us -= reports[k].at_us % (20 * US_PER_S);
    const char *before = tell(reports, count);
    for (int swaps = 0; swaps < 500; swaps++) {
        size_t k = (size_t)rand() % (count - 1);
        if (reports[k].at_us != reports[k + 1].at_us || strcmp(reports[k].item, reports[k + 1].item) == 0)
            continue;
        struct fault_report kept = reports[k];
        reports[k] = reports[k + 1];
        reports[k + 1] = kept;
    }
    ck_assert_str_eq(before, tell(reports, count));
}
END_TEST

START_TEST(the_number_of_axes_does_not_change_an_episode)
{
    struct fault_report one[RANDOM_REPORTS], three[3 * RANDOM_REPORTS];
    static const char *const axes[] = {"x", "y", "z"};
    size_t count = random_story((unsigned)_i, one), n1, n3;
    for (size_t k = 0; k < count; k++) {
        one[k].item = "x";
        for (size_t axis = 0; axis < 3; axis++) {
            three[3 * k + axis] = one[k];
            three[3 * k + axis].item = axes[axis];
        }
    }
    struct episode *e1, *e3;
    episodes_of(one, count, mem, &e1, &n1);
    episodes_of(three, 3 * count, mem, &e3, &n3);
    ck_assert_uint_eq(n1, n3);
    for (size_t k = 0; k < n1; k++) {
        ck_assert_int_eq(e1[k].began_us, e3[k].began_us);
        ck_assert_int_eq(e1[k].ended_us, e3[k].ended_us);
        ck_assert_int_eq(e1[k].alarm_us, e3[k].alarm_us);
        ck_assert_int_eq(e1[k].outcome, e3[k].outcome);
        ck_assert_int_eq(3 * e1[k].reports, e3[k].reports);
    }
}
END_TEST

START_TEST(words_of_outcomes_read_back)
{
    for (int k = EPISODE_OPEN; k <= EPISODE_UNANNOUNCED; k++) {
        enum episode_outcome o;
        ck_assert(episode_outcome_parse(episode_outcome_word((enum episode_outcome)k), &o));
        ck_assert_int_eq(o, k);
    }
    enum episode_outcome o;
    ck_assert(!episode_outcome_parse("gone", &o));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("episode");
    tcase_add_checked_fixture(tc, make_arena, free_arena);
    tcase_add_loop_test(tc, stories_of_one_drive, 0, (int)(sizeof stories / sizeof *stories));
    tcase_add_loop_test(tc, episodes_of_one_fault_never_overlap, 0, 40);
    tcase_add_loop_test(tc, a_repeated_report_changes_nothing, 0, 40);
    tcase_add_loop_test(tc, the_order_within_an_instant_does_not_matter, 0, 40);
    tcase_add_loop_test(tc, the_number_of_axes_does_not_change_an_episode, 0, 40);
    tcase_add_test(tc, words_of_outcomes_read_back);
    Suite *suite = suite_create("episode");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
