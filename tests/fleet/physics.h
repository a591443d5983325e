/*
 * How fast the fans truly turn and what the drives make of it.
 */
#ifndef FLEET_PHYSICS_H
#define FLEET_PHYSICS_H

#include "dice.h"
#include "fleet.h"

enum { RPM_UNAVAILABLE = INT32_MIN };

void physics_weather(struct fleet *f);
/* Draws the path by which a unit wears down from its onset to its crossing. */
void physics_wear_path(struct unit *u, gsl_rng *dice);
const struct unit *physics_unit(const struct fan *fan, int64_t at_ms);
/* Speed in rev/min without noise, power off, faults and drop-outs. */
double physics_speed(const struct fleet *f, const struct fan *fan, int64_t at_ms);
/* What the drive would publish at that moment: rev/min in its resolution, or RPM_UNAVAILABLE. */
int32_t physics_reading(const struct fleet *f, const struct fan *fan, int64_t at_ms, gsl_rng *dice);
bool machine_powered(const struct machine *m, int64_t at_ms);
/* Share of speed lost to dirt. */
double physics_dirt(const struct machine *m, int64_t at_ms);
/* Days from 'at_ms' until the noiseless speed is below the warning speed; below 0: not within the horizon. */
double physics_days_to_warning(const struct fleet *f, const struct fan *fan, int64_t at_ms);

#endif
