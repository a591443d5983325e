#include "intake.h"

#include <check.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RECEIVED (INT64_C(1790000000) * US_PER_S)

static struct arena *mem;
static struct source source;

static const struct item_binding items[] = {
    {.device = "dev-1", .item = "f1", .role = ROLE_FAN_SPEED, .fan_no = 11, .drive = "d1"},
    {.device = "dev-1", .item = "f2", .role = ROLE_FAN_SPEED, .fan_no = 12, .drive = "d1"},
    {.device = "dev-2", .item = "f1", .role = ROLE_FAN_SPEED, .fan_no = 21, .drive = "d2"},
    {.device = "dev-1", .item = "dc", .role = ROLE_DRIVE_CONDITION, .drive = "d1", .machine = "m1"},
    {.device = "dev-1",
     .item = "xc",
     .role = ROLE_AXIS_CONDITION,
     .drive = "d2",
     .axis = "x",
     .machine = "m1"},
    {.device = "dev-1", .item = "yc", .role = ROLE_AXIS_CONDITION, .axis = "y", .machine = "m1"},
    {.device = "dev-1", .item = "av", .role = ROLE_AVAILABILITY},
    {.device = "dev-1", .item = "pw", .role = ROLE_POWER},
};

static void set_up(void)
{
    mem = arena_new(16 * 1024 * 1024);
    source = (struct source){.site = "s1", .source = "src"};
    source_bind(&source, items, sizeof items / sizeof *items, mem);
}

static void tear_down(void)
{
    arena_free(mem);
}

static struct batch take_all(struct observation *o, size_t count)
{
    struct document d = {.kind = DOCUMENT_OBSERVATIONS, .observations = o, .count = count};
    struct poll_result r = {.from = {"i", 5}, .to = {"i", 900}, .created_us = TIME_UNKNOWN};
    r.parts[r.part_count++] = (struct poll_part){&d, 5, 900};
    struct batch b;
    intake(&source, &r, RECEIVED, mem, &b);
    return b;
}

static struct observation sample(const char *item, const char *value)
{
    return (struct observation){.sequence = 7,
                                .at_us = RECEIVED - US_PER_HOUR,
                                .category = CATEGORY_SAMPLE,
                                .device = "dev-1",
                                .item = item,
                                .type = "",
                                .value = value};
}

static const struct {
    const char *value;
    int32_t milli_rpm;  /* when it is stored */
    const char *reason; /* when it is set aside */
} values[] = {
    {"3210", 3210000, NULL},
    {"3210.5", 3210500, NULL},
    {"0", 0, NULL},
    {"3.2105E3", 3210500, NULL},
    {NULL, RPM_UNAVAILABLE, NULL},
    {"-1", 0, "'-1' is a speed below 0"},
    {"fast", 0, "'fast' is not a speed in rev/min"},
    {"", 0, "'' is not a speed in rev/min"},
    {"NaN", 0, "'NaN' is not a speed in rev/min"},
    {"99999999999", 0, "'99999999999' is not a speed in rev/min"},
};

START_TEST(a_speed_is_stored_or_set_aside)
{
    struct observation o = sample("f1", values[_i].value);
    struct batch b = take_all(&o, 1);
    ck_assert_uint_eq(b.observations, 1);
    ck_assert_uint_eq(b.reading_count, values[_i].reason ? 0 : 1);
    ck_assert_uint_eq(b.set_aside_count, values[_i].reason ? 1 : 0);
    if (values[_i].reason) {
        ck_assert_str_eq(b.set_aside[0].reason, values[_i].reason);
        ck_assert_str_eq(b.set_aside[0].item, "f1");
        ck_assert_uint_eq(b.set_aside[0].sequence, 7);
    } else {
        ck_assert_int_eq(b.readings[0].milli_rpm, values[_i].milli_rpm);
        ck_assert_uint_eq(b.readings[0].fan_no, 11);
        ck_assert_int_eq(b.readings[0].at_us, RECEIVED - US_PER_HOUR);
    }
}
END_TEST

static struct observation condition(const char *item, enum condition_state state, const char *code)
{
    struct observation o = sample(item, NULL);
    o.category = CATEGORY_CONDITION;
    o.state = state;
    o.native_code = code;
    return o;
}

/* The batch of an empty answer after a gap, with a newest state of these conditions. */
static struct batch take_state(struct document *state)
{
    struct poll_result r = {.from = {"i", 5}, .to = {"i", 900}, .state = state, .state_end = 890};
    struct batch b;
    intake(&source, &r, RECEIVED, mem, &b);
    return b;
}

START_TEST(what_is_active_after_a_gap_is_listed)
{
    struct observation o[] = {
        condition("dc", STATE_ALARM, "A2"),   condition("xc", STATE_NORMAL, "W1"),
        condition("dc", STATE_WARNING, "W1"), condition("unbound", STATE_ALARM, "A2"),
        condition("yc", STATE_NORMAL, NULL),  sample("f1", "1"),
    };
    for (size_t k = 0; k < sizeof o / sizeof *o; k++)
        o[k].sequence = 20 + k;
    o[2].condition_id = "c9";
    struct document d = {.observations = o, .count = sizeof o / sizeof *o, .created_us = RECEIVED - 5};
    struct batch b = take_state(&d);
    ck_assert_uint_eq(b.condition_count, 2);
    const struct condition_row *dc = &b.conditions[0], *xc = &b.conditions[1];
    ck_assert_int_eq(dc->observation->state, STATE_LISTED);
    ck_assert_str_eq(dc->observation->item, "dc");
    ck_assert_str_eq(dc->observation->value, "A2\nc9\n");
    ck_assert_uint_eq(dc->observation->sequence, 889);
    ck_assert_int_eq(dc->observation->at_us, RECEIVED - 5);
    ck_assert_str_eq(dc->drive, "d1");
    ck_assert_str_eq(xc->observation->item, "xc");
    ck_assert_str_eq(xc->observation->value, "");
    ck_assert_uint_eq(b.reading_count, 0);

    d.created_us = RECEIVED + 3 * US_PER_DAY;
    ck_assert_int_eq(take_state(&d).conditions[0].observation->at_us, RECEIVED);
}
END_TEST

START_TEST(of_an_item_that_is_not_told_in_full_nothing_is_listed)
{
    struct observation o[] = {condition("dc", STATE_ALARM, "A2"), condition("dc", STATE_UNAVAILABLE, NULL),
                              condition("xc", STATE_ALARM, "A2")};
    static struct refusal refusals[] = {{.item = "xc"}, {.item = "dc"}, {.item = ""}, {.item = NULL}};
    static const unsigned expected[] = {0, 1, 0, 0};
    struct document d = {.observations = o, .count = 3, .refusals = &refusals[_i], .refused = 1};
    ck_assert_uint_eq(take_state(&d).condition_count, expected[_i]);
    d.refused = 0;
    ck_assert_uint_eq(take_state(&d).condition_count, 1);
    d.test_data = true;
    ck_assert_uint_eq(take_state(&d).condition_count, 0);
}
END_TEST

static const struct {
    int64_t at_us;
    const char *reason;
} stamps[] = {
    {RECEIVED - 3653 * US_PER_DAY, NULL},
    {RECEIVED - 3653 * US_PER_DAY - 1, "its time lies more than ten years back"},
    {RECEIVED - 3 * US_PER_DAY, NULL},
    {RECEIVED + US_PER_DAY, NULL},
    {RECEIVED + US_PER_DAY + 1, "its time lies more than a day ahead"},
    {0, "its time lies more than ten years back"},
    {INT64_C(946684800) * US_PER_S, "its time lies more than ten years back"}, /* a clock reset to 2000 */
};

START_TEST(a_time_that_cannot_be_is_set_aside)
{
    static const char *const roles[] = {"f1", "dc", "pw"};
    for (size_t k = 0; k < 3; k++) {
        struct observation o = sample(roles[k], "1");
        o.at_us = stamps[_i].at_us;
        o.category = k == 1 ? CATEGORY_CONDITION : CATEGORY_EVENT;
        struct batch b = take_all(&o, 1);
        ck_assert_uint_eq(b.set_aside_count, stamps[_i].reason != NULL);
        ck_assert_uint_eq(b.reading_count + b.condition_count + b.event_count, !stamps[_i].reason);
        if (stamps[_i].reason)
            ck_assert_str_eq(b.set_aside[0].reason, stamps[_i].reason);
    }
}
END_TEST

/* Against the publisher's clock, as far as it is known: a source that is wrong as a whole is told by its
 * offset. */
START_TEST(stamps_ahead_of_the_publisher_s_clock_are_counted)
{
    static const int64_t offsets[] = {TIME_UNKNOWN, 0, 3600 * US_PER_S, -3600 * US_PER_S};
    static const unsigned expected[] = {1, 1, 0, 3};
    struct observation o[] = {sample("f1", "1"), sample("f1", "2"), sample("f1", "3"), sample("f9", "4")};
    for (unsigned k = 0; k < 4; k++)
        o[k].sequence = 10 + k;
    o[0].at_us = RECEIVED + 301 * US_PER_S;
    o[1].at_us = RECEIVED + 300 * US_PER_S;
    o[2].at_us = RECEIVED;
    o[3].at_us = RECEIVED + US_PER_HOUR;
    struct document d = {.observations = o, .count = 4};
    struct poll_result r = {.from = {"i", 5}, .to = {"i", 90}, .created_us = offsets[_i]};
    if (r.created_us != TIME_UNKNOWN)
        r.created_us += RECEIVED;
    r.parts[r.part_count++] = (struct poll_part){&d, 5, 90};
    struct batch b;
    intake(&source, &r, RECEIVED, mem, &b);
    ck_assert_uint_eq(b.ahead, expected[_i]);
    ck_assert_uint_eq(b.reading_count, 3);
}
END_TEST

static const struct {
    const char *type, *sub_type, *statistic, *value;
    int32_t milli_rpm;
    const char *reason;
} kinds[] = {
    {"ROTARY_VELOCITY", NULL, NULL, "4000", 4000000, NULL},
    {"ROTARY_VELOCITY", "ACTUAL", NULL, "4000", 4000000, NULL},
    {"SPINDLE_SPEED", NULL, NULL, "4000", 4000000, NULL}, /* before version 1.2 */
    {"FAN_SPEED", NULL, NULL, "4000", 4000000, NULL},     /* an extension */
    {"ANGULAR_VELOCITY", NULL, NULL, "24000", 4000000, NULL},
    {"ANGULAR_VELOCITY", NULL, NULL, "24001", 4000167, NULL},
    {"ANGULAR_VELOCITY", NULL, NULL, "0", 0, NULL},
    {"ANGULAR_VELOCITY", NULL, NULL, NULL, RPM_UNAVAILABLE, NULL},
    {"ANGULAR_VELOCITY", NULL, NULL, "1e12", 0, "'1e12' is not a speed in rev/min"},
    {"FREQUENCY", NULL, NULL, "66.7", 0, "it is a frequency: how many pulses make a revolution is not known"},
    {"ROTARY_VELOCITY", NULL, "AVERAGE", "4000", 0, "'AVERAGE' of a span of time, not the speed at a moment"},
    {"ROTARY_VELOCITY", "COMMANDED", NULL, "4000", 0, "'COMMANDED' is not the actual speed"},
    {"ROTARY_VELOCITY", "OVERRIDE", NULL, "80", 0, "'OVERRIDE' is not the actual speed"},
};

START_TEST(a_speed_is_an_actual_one_at_a_moment)
{
    struct observation o = sample("f1", kinds[_i].value);
    o.type = kinds[_i].type;
    o.sub_type = kinds[_i].sub_type;
    o.statistic = kinds[_i].statistic;
    struct batch b = take_all(&o, 1);
    ck_assert_uint_eq(b.reading_count, kinds[_i].reason ? 0 : 1);
    if (kinds[_i].reason)
        ck_assert_str_eq(b.set_aside[0].reason, kinds[_i].reason);
    else
        ck_assert_int_eq(b.readings[0].milli_rpm, kinds[_i].milli_rpm);
}
END_TEST

static const struct {
    struct item_check check;
    int32_t milli_rpm;
    const char *reason;
} checked[] = {
    {{.type = "X", .units = "REVOLUTION/MINUTE"}, 24000000, NULL},
    {{.type = "X", .units = "DEGREE/SECOND"}, 4000000, NULL},
    {{.type = "X", .units = ""}, 24000000, NULL},
    {{.type = NULL}, 24000000, NULL},
    {{.type = "X", .units = "HERTZ"}, 0, "it is a frequency: how many pulses make a revolution is not known"},
    {{.type = "X", .units = "CELSIUS"}, 0, "'CELSIUS' is not a unit of speed"},
    {{.type = "X", .units = "REVOLUTION/MINUTE", .stopped = "it was another"}, 0, "it was another"},
};

START_TEST(units_are_those_of_the_source_s_model)
{
    struct item_check check = checked[_i].check;
    struct item_binding bound = items[0];
    bound.check = &check;
    source_bind(&source, &bound, 1, mem);
    struct observation o = sample("f1", "24000");
    struct batch b = take_all(&o, 1);
    ck_assert_uint_eq(b.reading_count, checked[_i].reason ? 0 : 1);
    if (checked[_i].reason)
        ck_assert_str_eq(b.set_aside[0].reason, checked[_i].reason);
    else
        ck_assert_int_eq(b.readings[0].milli_rpm, checked[_i].milli_rpm);
}
END_TEST

START_TEST(items_that_are_not_bound_are_left_out)
{
    struct observation o[] = {sample("f9", "1"), sample("f1", "2"), sample("f1", "3")};
    o[2].device = "dev-9";
    for (unsigned k = 0; k < 3; k++)
        o[k].sequence = 10 + k;
    struct batch b = take_all(o, 3);
    ck_assert_uint_eq(b.observations, 3);
    ck_assert_uint_eq(b.reading_count, 1);
    ck_assert_int_eq(b.readings[0].milli_rpm, 2000);
    ck_assert_uint_eq(b.set_aside_count, 0);
}
END_TEST

START_TEST(a_device_is_known_by_uuid_or_by_name)
{
    struct observation o[] = {sample("f1", "1"), sample("f1", "2")};
    o[0].device = "some-uuid";
    o[0].device_name = "dev-2";
    o[1].sequence = 8;
    o[1].device = "dev-2";
    o[1].device_name = "dev-1";
    struct batch b = take_all(o, 2);
    ck_assert_uint_eq(b.reading_count, 2);
    ck_assert_uint_eq(b.readings[0].fan_no, 21);
    ck_assert_uint_eq(b.readings[1].fan_no, 21);
}
END_TEST

START_TEST(conditions_carry_drive_axis_and_machine)
{
    static const char *const names[] = {"dc", "xc", "yc"};
    static const char *const drives[] = {"d1", "d2", NULL}, *const axes[] = {NULL, "x", "y"};
    struct observation o[3];
    for (unsigned k = 0; k < 3; k++) {
        o[k] = sample(names[k], "too slow");
        o[k].sequence = 20 + k;
        o[k].category = CATEGORY_CONDITION;
        o[k].state = STATE_WARNING;
        o[k].native_code = "0071";
    }
    struct batch b = take_all(o, 3);
    memset(o, 0, sizeof o); /* the batch keeps copies */
    ck_assert_uint_eq(b.condition_count, 3);
    for (unsigned k = 0; k < 3; k++) {
        const struct condition_row *c = &b.conditions[k];
        ck_assert_pstr_eq(c->drive, drives[k]);
        ck_assert_pstr_eq(c->axis, axes[k]);
        ck_assert_str_eq(c->machine, "m1");
        ck_assert_uint_eq(c->observation->sequence, 20 + k);
        ck_assert_str_eq(c->observation->native_code, "0071");
        ck_assert_str_eq(c->observation->value, "too slow");
        ck_assert_ptr_null(c->observation->condition_id);
    }
}
END_TEST

START_TEST(availability_and_power_are_events)
{
    struct observation o[] = {sample("av", "AVAILABLE"), sample("pw", NULL)};
    o[0].category = o[1].category = CATEGORY_EVENT;
    o[1].sequence = 8;
    struct batch b = take_all(o, 2);
    ck_assert_uint_eq(b.event_count, 2);
    ck_assert_int_eq(b.events[0].role, ROLE_AVAILABILITY);
    ck_assert_str_eq(b.events[0].observation->value, "AVAILABLE");
    ck_assert_int_eq(b.events[1].role, ROLE_POWER);
    ck_assert_ptr_null(b.events[1].observation->value);
}
END_TEST

START_TEST(what_is_bound_as_something_else_is_set_aside)
{
    struct observation o[] = {sample("dc", "1"), sample("f1", "2")};
    o[1].category = CATEGORY_CONDITION;
    o[1].sequence = 8;
    struct batch b = take_all(o, 2);
    ck_assert_uint_eq(b.set_aside_count, 2);
    ck_assert_str_eq(b.set_aside[0].reason, "it is bound as a condition, but is none");
    ck_assert_str_eq(b.set_aside[1].reason, "it is a condition, but is not bound as one");
}
END_TEST

START_TEST(only_what_an_answer_covers_is_taken_and_once)
{
    struct observation o[8];
    static const unsigned sequences[] = {4, 5, 6, 6, 7, 899, 900, 901};
    for (unsigned k = 0; k < 8; k++) {
        o[k] = sample("f1", "5");
        o[k].sequence = sequences[k];
    }
    struct batch b = take_all(o, 8);
    ck_assert_uint_eq(b.reading_count, 4);
    ck_assert_uint_eq(b.observations, 4);
}
END_TEST

START_TEST(test_data_are_kept_out)
{
    struct observation o = sample("f1", "5");
    struct document d = {.observations = &o, .count = 1, .test_data = true};
    struct poll_result r = {.from = {"i", 5}, .to = {"i", 8}, .created_us = RECEIVED + 250};
    r.parts[r.part_count++] = (struct poll_part){&d, 5, 8};
    struct batch b;
    intake(&source, &r, RECEIVED, mem, &b);
    ck_assert_uint_eq(b.reading_count, 0);
    ck_assert_uint_eq(b.set_aside_count, 1);
    ck_assert_str_eq(b.set_aside[0].reason,
                     "the source marks its answer as test data: 1 observations left out");
    ck_assert_uint_eq(b.to.next, 8);
    ck_assert_int_eq(b.clock_offset_us, 250);
    d.count = 0;
    intake(&source, &r, RECEIVED, mem, &b);
    ck_assert_uint_eq(b.set_aside_count, 0);
}
END_TEST

START_TEST(what_the_decoder_refused_is_set_aside)
{
    struct refusal refusals[] = {
        {4, "f1", "before"}, {6, "f1", "its time is unreadable"}, {0, NULL, "no sequence"}};
    struct document d = {.refusals = refusals, .refused = 3};
    struct poll_result r = {.from = {"i", 5}, .to = {"i", 8}, .created_us = TIME_UNKNOWN};
    r.parts[r.part_count++] = (struct poll_part){&d, 5, 8};
    r.gap_count = 1;
    r.gaps[0] = (struct gap_row){.instance = "old", .from_sequence = 3, .reason = "restart"};
    struct batch b;
    intake(&source, &r, RECEIVED, mem, &b);
    ck_assert_uint_eq(b.set_aside_count, 2);
    ck_assert_str_eq(b.set_aside[0].reason, "its time is unreadable");
    ck_assert_str_eq(b.set_aside[1].reason, "no sequence");
    ck_assert_uint_eq(b.gap_count, 1);
    ck_assert_str_eq(b.gaps[0].instance, "old");
    ck_assert_int_eq(b.clock_offset_us, TIME_UNKNOWN);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("intake");
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_loop_test(tc, a_speed_is_stored_or_set_aside, 0, (int)(sizeof values / sizeof *values));
    tcase_add_loop_test(tc, a_time_that_cannot_be_is_set_aside, 0, (int)(sizeof stamps / sizeof *stamps));
    tcase_add_loop_test(tc, stamps_ahead_of_the_publisher_s_clock_are_counted, 0, 4);
    tcase_add_loop_test(tc, a_speed_is_an_actual_one_at_a_moment, 0, (int)(sizeof kinds / sizeof *kinds));
    tcase_add_loop_test(tc, units_are_those_of_the_source_s_model, 0,
                        (int)(sizeof checked / sizeof *checked));
    tcase_add_test(tc, items_that_are_not_bound_are_left_out);
    tcase_add_test(tc, a_device_is_known_by_uuid_or_by_name);
    tcase_add_test(tc, conditions_carry_drive_axis_and_machine);
    tcase_add_test(tc, availability_and_power_are_events);
    tcase_add_test(tc, what_is_bound_as_something_else_is_set_aside);
    tcase_add_test(tc, only_what_an_answer_covers_is_taken_and_once);
    tcase_add_test(tc, test_data_are_kept_out);
    tcase_add_test(tc, what_the_decoder_refused_is_set_aside);
    tcase_add_test(tc, what_is_active_after_a_gap_is_listed);
    tcase_add_loop_test(tc, of_an_item_that_is_not_told_in_full_nothing_is_listed, 0, 4);
    Suite *suite = suite_create("intake");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
