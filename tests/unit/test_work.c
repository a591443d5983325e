#include "work.h"

#include <check.h>
#include <stdlib.h>

static const struct {
    const char *fan, *drive, *position; /* drive NULL: refused */
} fans[] = {
    {"mill-x/internal-1", "mill-x", "internal-1"},
    {"hall 1/mill/x/heat-sink", "hall 1/mill/x", "heat-sink"}, /* keys may hold a slash */
    {"mill-x", NULL, NULL},
    {"/internal-1", NULL, NULL},
    {"mill-x/", NULL, NULL},
    {"", NULL, NULL},
};

START_TEST(a_fan_is_its_drive_and_position)
{
    struct arena *mem = arena_new(1000);
    const char *drive = NULL, *position = NULL;
    ck_assert_int_eq(work_split_fan(fans[_i].fan, mem, &drive, &position), fans[_i].drive != NULL);
    if (fans[_i].drive) {
        ck_assert_str_eq(drive, fans[_i].drive);
        ck_assert_str_eq(position, fans[_i].position);
    }
    arena_free(mem);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("work");
    TCase *t = tcase_create("work");
    tcase_add_loop_test(t, a_fan_is_its_drive_and_position, 0, (int)(sizeof fans / sizeof *fans));
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
