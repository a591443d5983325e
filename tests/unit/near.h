/*
 * Comparing numbers with what was published or computed elsewhere. The largest relative error of a program is
 * printed at its end; it lies in shared memory because each test is a process of its own.
 */
#ifndef TESTS_NEAR_H
#define TESTS_NEAR_H

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>

struct near_worst {
    double error;
    int compared;
    char what[80];
};
static struct near_worst *near_worst;

/* Before the first test. */
static inline void near_start(void)
{
    near_worst = mmap(NULL, sizeof *near_worst, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (near_worst == MAP_FAILED)
        abort();
}

/* After the last one. */
static inline void near_report(const char *program)
{
    printf("%s: %d values compared, largest relative error %.2g (%s)\n", program, near_worst->compared,
           near_worst->error, near_worst->what);
}

/* Within a share of the wanted value, which is not 0. */
static inline void near_relative(const char *what, double got, double want, double tolerance)
{
    double error = fabs(got - want) / fabs(want);

    near_worst->compared++;
    if (error > near_worst->error) {
        near_worst->error = error;
        snprintf(near_worst->what, sizeof near_worst->what, "%s", what);
    }
    ck_assert_msg(error <= tolerance, "%s: got %.14g, want %.14g, relative error %.2g", what, got, want,
                  error);
}

/* Within a distance: for values near 0 and for printed values (half a unit of the last digit). */
static inline void near_absolute(const char *what, double got, double want, double tolerance)
{
    near_worst->compared++;
    ck_assert_msg(fabs(got - want) <= tolerance, "%s: got %.14g, want %.14g +- %.2g", what, got, want,
                  tolerance);
}

/* Runs one suite and prints its largest error; the exit status of the program. */
static inline int near_run(Suite *suite, const char *program)
{
    SRunner *runner = srunner_create(suite);

    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    near_report(program);
    return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}

#endif
