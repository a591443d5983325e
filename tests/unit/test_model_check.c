#include "model_check.h"

#include <check.h>

#include <stdlib.h>

static struct arena *mem;
static struct item_check checks[3];
static struct item_binding items[3];
static struct source source;

static void set_up(void)
{
    static const char *const names[] = {"f1", "f2", "gone"};
    mem = arena_new(1 << 20);
    source = (struct source){.site = "s", .source = "a"};
    for (int k = 0; k < 3; k++) {
        checks[k] = (struct item_check){.type = NULL};
        items[k] = (struct item_binding){
            .device = k ? "uuid-1" : "mill", .item = names[k], .role = ROLE_FAN_SPEED, .check = &checks[k]};
    }
    source_bind(&source, items, 3, mem);
}

static void tear_down(void)
{
    arena_free(mem);
}

static size_t look(const char *type, const char *units)
{
    struct model_item offered[] = {
        {.device = "uuid-1", .device_name = "mill", .item = "f1", .type = type, .units = units},
        {.device = "uuid-1", .device_name = "mill", .item = "f2", .type = "ROTARY_VELOCITY"},
        {.device = "uuid-1", .device_name = "mill", .item = "unbound", .type = "LOAD", .units = "PERCENT"},
    };
    const struct model m = {.items = offered, .count = 3};
    for (int k = 0; k < 3; k++)
        checks[k].is_new = false;
    return model_check(&source, &m, mem);
}

START_TEST(what_is_seen_first_is_remembered_and_what_is_not_offered_is_counted)
{
    ck_assert_uint_eq(look("ROTARY_VELOCITY", "REVOLUTION/MINUTE"), 1);
    ck_assert_str_eq(checks[0].type, "ROTARY_VELOCITY");
    ck_assert_str_eq(checks[0].units, "REVOLUTION/MINUTE");
    ck_assert_str_eq(checks[1].units, "");
    ck_assert(checks[0].is_new && checks[1].is_new && !checks[2].is_new);
    ck_assert_ptr_null(checks[0].stopped);
    ck_assert_ptr_null(checks[2].type);
}
END_TEST

START_TEST(the_same_model_again_changes_nothing)
{
    look("ROTARY_VELOCITY", "REVOLUTION/MINUTE");
    look("ROTARY_VELOCITY", "REVOLUTION/MINUTE");
    ck_assert(!checks[0].is_new && !checks[1].is_new);
    ck_assert_ptr_null(checks[0].stopped);
}
END_TEST

static const struct {
    const char *type, *units, *why;
} changes[] = {
    {"TEMPERATURE", "CELSIUS",
     "it was ROTARY_VELOCITY in REVOLUTION/MINUTE and is now TEMPERATURE in CELSIUS: "
     "load its binding again if it is still right"},
    {"ROTARY_VELOCITY", "REVOLUTION/SECOND",
     "it was ROTARY_VELOCITY in REVOLUTION/MINUTE and is now ROTARY_VELOCITY in REVOLUTION/SECOND: load its "
     "binding again if it is still right"},
    {"ROTARY_VELOCITY", NULL,
     "it was ROTARY_VELOCITY in REVOLUTION/MINUTE and is now ROTARY_VELOCITY: load its binding again if it "
     "is "
     "still right"},
    {NULL, NULL,
     "it was ROTARY_VELOCITY in REVOLUTION/MINUTE and is now of no type: load its binding again if it "
     "is still right"},
};

START_TEST(an_item_that_became_another_is_stopped_and_stays_so)
{
    look("ROTARY_VELOCITY", "REVOLUTION/MINUTE");
    look(changes[_i].type, changes[_i].units);
    ck_assert_str_eq(checks[0].stopped, changes[_i].why);
    ck_assert_str_eq(checks[0].type, "ROTARY_VELOCITY");
    ck_assert(checks[0].is_new && !checks[1].is_new);
    look("ROTARY_VELOCITY",
         "REVOLUTION/MINUTE"); /* what was taken meanwhile is not known: a person decides */
    ck_assert_str_eq(checks[0].stopped, changes[_i].why);
    ck_assert(!checks[0].is_new);
}
END_TEST

static void look_at(const struct model_item *i)
{
    const struct model m = {.items = (struct model_item[]){*i}, .count = 1};
    checks[0].is_new = false;
    model_check(&source, &m, mem);
}

static const struct model_item fan = {.device = "mill",
                                      .item = "f1",
                                      .type = "ROTARY_VELOCITY",
                                      .units = "REVOLUTION/MINUTE",
                                      .path = "Axes/Linear[X]",
                                      .name = "speed",
                                      .composition = "FAN",
                                      .composition_id = "x1"};

static const struct {
    const char *path, *name, *composition_id, *now;
} moves[] = {
    {"Axes/Linear[Y]", "speed", "x1", "'speed' of Axes/Linear[Y]/FAN[x1]"},
    {"Axes/Linear[X]", "speed", "x2", "'speed' of Axes/Linear[X]/FAN[x2]"},
    {"Axes/Linear[X]", "other", "x1", "'other' of Axes/Linear[X]/FAN[x1]"},
    {"Axes/Linear[X]", NULL, "x1", "'' of Axes/Linear[X]/FAN[x1]"},
};

START_TEST(an_item_that_moved_to_another_fan_is_stopped)
{
    struct model_item moved = fan;
    moved.path = moves[_i].path;
    moved.name = moves[_i].name;
    moved.composition_id = moves[_i].composition_id;
    look_at(&fan);
    look_at(&fan);
    ck_assert_ptr_null(checks[0].stopped);
    ck_assert(!checks[0].is_new);
    look_at(&moved);
    ck_assert_str_eq(checks[0].stopped,
                     arena_printf(mem,
                                  "it was 'speed' of Axes/Linear[X]/FAN[x1] and is now %s: load its binding "
                                  "again if it is still right",
                                  moves[_i].now));
    ck_assert(checks[0].is_new);
}
END_TEST

START_TEST(the_place_of_an_item_known_by_its_type_alone_is_learned)
{
    checks[0].type = fan.type;
    checks[0].units = fan.units;
    look_at(&fan);
    ck_assert_str_eq(checks[0].place, "Axes/Linear[X]/FAN[x1]");
    ck_assert_str_eq(checks[0].name, "speed");
    ck_assert(checks[0].is_new);
    ck_assert_ptr_null(checks[0].stopped);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("model_check");
    tcase_add_checked_fixture(tc, set_up, tear_down);
    tcase_add_test(tc, what_is_seen_first_is_remembered_and_what_is_not_offered_is_counted);
    tcase_add_test(tc, the_same_model_again_changes_nothing);
    tcase_add_loop_test(tc, an_item_that_became_another_is_stopped_and_stays_so, 0,
                        (int)(sizeof changes / sizeof *changes));
    tcase_add_loop_test(tc, an_item_that_moved_to_another_fan_is_stopped, 0,
                        (int)(sizeof moves / sizeof *moves));
    tcase_add_test(tc, the_place_of_an_item_known_by_its_type_alone_is_learned);
    Suite *suite = suite_create("model_check");
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
