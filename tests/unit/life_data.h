/*
 * Published life data that several test programs use. Sources are named beside each set.
 */
#ifndef TESTS_LIFE_DATA_H
#define TESTS_LIFE_DATA_H

#include "life.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_LIVES = 128 };

struct lives {
    struct lifetime row[MAX_LIVES];
    size_t count;
};

static inline void lives_add(struct lives *l, double entry, double exit, double exit_high, bool failed,
                             double count)
{
    if (l->count == MAX_LIVES)
        abort();
    l->row[l->count++] = (struct lifetime){entry, exit, exit_high, failed, count};
}

static inline void lives_failed(struct lives *l, double age)
{
    lives_add(l, 0, age, (double)NAN, true, 1);
}

static inline void lives_running(struct lives *l, double age, double count)
{
    lives_add(l, 0, age, (double)NAN, false, count);
}

static inline FILE *open_data(const char *name)
{
    char path[500];
    snprintf(path, sizeof path, "%s/%s", TEST_DATA, name);
    FILE *file = fopen(path, "r");
    if (!file) {
        perror(path);
        abort();
    }
    return file;
}

/* 70 fans of diesel generators, 12 failed (Nelson 1969; Nelson 1982, p. 133). */
static inline struct lives generator_fans(void)
{
    struct lives l = {0};
    FILE *file = open_data("life/genfan.csv");
    char line[100];
    double hours;
    int failed;

    while (fgets(line, sizeof line, file))
        if (sscanf(line, "%lf,%d", &hours, &failed) == 2)
            lives_add(&l, 0, hours, (double)NAN, failed == 1, 1);
    fclose(file);
    return l;
}

/* The same, those of 2000 h and more observed from 1000 h on. */
static inline struct lives late_generator_fans(void)
{
    struct lives l = generator_fans();
    for (size_t i = 0; i < l.count; i++)
        l.row[i].entry = l.row[i].exit >= 2000 ? 1000 : 0;
    return l;
}

/* Six failures in 1703 bearing cages (AFWAL-TR-83-2079; Meeker & Escobar 1998). */
static inline struct lives bearing_cages(void)
{
    struct lives l = {0};
    FILE *file = open_data("life/bearing_cage.csv");
    char line[100], event[20];
    double hours, count;

    while (fgets(line, sizeof line, file))
        if (sscanf(line, "%lf,\"%19[^\"]\",%lf", &hours, event, &count) == 3)
            lives_add(&l, 0, hours, (double)NAN, strcmp(event, "Failed") == 0, count);
    fclose(file);
    return l;
}

/* The same with the failure at 230 h alone: one failure in 1698. */
static inline struct lives one_bearing_cage(void)
{
    struct lives all = bearing_cages(), l = {0};
    for (size_t i = 0; i < all.count; i++)
        if (!all.row[i].failed || all.row[i].exit < 231)
            l.row[l.count++] = all.row[i];
    return l;
}

/* Ten failures, ten running at 500 h (NIST/SEMATECH e-Handbook 8.4.1.3). */
static inline struct lives nist_weibull(void)
{
    static const double failed[] = {54, 187, 216, 240, 244, 335, 361, 373, 375, 386};
    struct lives l = {0};
    for (size_t i = 0; i < sizeof failed / sizeof *failed; i++)
        lives_failed(&l, failed[i]);
    lives_running(&l, 500, 10);
    return l;
}

/* 23 ball bearings, all failed, millions of revolutions (Lieblein & Zelen 1956). */
static inline struct lives ball_bearings(void)
{
    static const double failed[] = {17.88, 28.92, 33,     41.52,  42.12,  45.6,   48.4,  51.84,
                                    51.96, 54.12, 55.56,  67.8,   68.64,  68.64,  68.88, 84.12,
                                    93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.4};
    struct lives l = {0};
    for (size_t i = 0; i < sizeof failed / sizeof *failed; i++)
        lives_failed(&l, failed[i]);
    return l;
}

/* Cracks in turbine parts found at inspections, 167 parts (Nelson 1982, p. 415). */
static inline struct lives turbine_parts(void)
{
    static const struct {
        double low, high, count;
    } found[] = {{0, 6.12, 5},       {6.12, 19.92, 16}, {19.92, 29.64, 12}, {29.64, 35.40, 18},
                 {35.40, 39.72, 18}, {39.72, 45.24, 2}, {45.24, 52.32, 6},  {52.32, 63.48, 17}};
    struct lives l = {0};
    for (size_t i = 0; i < sizeof found / sizeof *found; i++)
        lives_add(&l, 0, found[i].low, found[i].high, true, found[i].count);
    lives_running(&l, 63.48, 73);
    return l;
}

#endif
