/*
 * Random numbers with fixed generator and seeds: the same seed gives the same fleet to the last byte. Each
 * purpose has dice of its own, so that a change in one place leaves the others alone.
 */
#ifndef FLEET_DICE_H
#define FLEET_DICE_H

#include <gsl/gsl_rng.h>
#include <stdbool.h>
#include <stdint.h>

enum dice_purpose {
    DICE_PLAN,
    DICE_LIFE,
    DICE_WEATHER,
    DICE_MISHAP,
    DICE_SPELL,
    DICE_READING,
    DICE_OTHER_ITEM,
    DICE_STOCK,
    DICE_LIVE,
    DICE_ORACLE
};

gsl_rng *dice_new(uint64_t seed, enum dice_purpose purpose, size_t number);
double dice_between(gsl_rng *dice, double low, double high);
int dice_whole(gsl_rng *dice, int low, int high); /* both ends included */
bool dice_chance(gsl_rng *dice, double probability);

#endif
