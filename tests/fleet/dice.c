#include "dice.h"

#include "out.h"

gsl_rng *dice_new(uint64_t seed, enum dice_purpose purpose, size_t number)
{
    gsl_rng *dice = gsl_rng_alloc(gsl_rng_mt19937);
    uint64_t mixed = seed * 1000003 + (uint64_t)purpose * 7919 + number * 104729 + 1;

    if (!dice)
        die("out of memory");
    /* Neighbouring numbers must not give neighbouring seeds: one round of a 64-bit multiplicative hash. */
    mixed = (mixed ^ (mixed >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    gsl_rng_set(dice, (unsigned long)((mixed ^ (mixed >> 27)) & 0xffffffff));
    return dice;
}

double dice_between(gsl_rng *dice, double low, double high)
{
    return low + (high - low) * gsl_rng_uniform(dice);
}

int dice_whole(gsl_rng *dice, int low, int high)
{
    return low + (int)gsl_rng_uniform_int(dice, (unsigned long)(high - low + 1));
}

bool dice_chance(gsl_rng *dice, double probability)
{
    return gsl_rng_uniform(dice) < probability;
}
