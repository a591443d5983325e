/*
 * How likely each fan, and through it each drive, is to report a fault within the horizon, and why. Pure.
 *
 * Three witnesses, combined as if independent: the fan's speed on its way to the warning speed (trend), its
 * age (life), its episodes (events). What cannot be judged is listed as unknown with the reason, never ranked
 * as fine.
 */
#ifndef REPORTER_RISK_H
#define REPORTER_RISK_H

#include "fleet.h"
#include "life.h"

/* What to do with a drive; the words stand on paper. */
enum action { ACTION_NOW, ACTION_THIS_WEEK, ACTION_PLAN, ACTION_WATCH };

/* Life models of the fan models, in the order of fleet->fan_models, and one of all fans together. */
struct life_table {
    struct life_model *models;
    struct life_model all;
};

struct fan_risk {
    const struct fan *fan;
    double probability, interval[2]; /* of a fault within the horizon; NAN when unknown */
    double from_trend, from_life, from_events;
    const char *unknown; /* why it cannot be judged, else NULL */
    double rpm;          /* latest daily median */
    int32_t rpm_day;
    double baseline_rpm;      /* median of the first good days since the last replacement or cleaning */
    bool baseline_own;        /* false: the peers' or the rated speed stands in */
    double relative;          /* rpm / baseline */
    double peer_relative;     /* relative speed against the median of its peers' */
    double warning_rpm;       /* NAN: not known */
    const char *warning_from; /* "register", "rated speed" ...: where warning_rpm comes from */
    double slope_per_day, slope_limits[2]; /* rev/min a day */
    int32_t trend_from_day;
    double days_to_warning[3]; /* lower, middle, upper (10, 50, 90 %); INFINITY: never; NAN: no trend */
    double age_hours;          /* NAN: not known */
    double cause_weight[5];    /* see enum cause; add to 1, all 0 when nothing points anywhere */
};

enum cause { CAUSE_WORN, CAUSE_DIRT, CAUSE_CONNECTOR, CAUSE_BOARD, CAUSE_MEASUREMENT };
const char *cause_word(enum cause c);
const char *action_word(enum action a);

struct drive_risk {
    const struct drive *drive;
    double probability, interval[2];
    double expected_cost; /* probability times stop hours times cost per hour; NAN: stop cost not known */
    enum action action;
    const char **reasons; /* sentences with numbers in them, the strongest first */
    size_t reason_count;
    double cause_weight[5];
    struct fan_risk *fans;
    size_t fan_count;
    const char *unknown; /* why the drive cannot be ranked, else NULL */
};

struct assessment {
    const struct fleet *fleet;
    int horizon_days;
    struct life_table life;
    struct drive_risk *ranked; /* dearest first; drives without a stop cost by probability after those with */
    size_t ranked_count;
    struct drive_risk *unknown; /* in order of key */
    size_t unknown_count;
};

void risk_assess(const struct fleet *fleet, int horizon_days, struct arena *mem, struct assessment *out);
/* The lifetimes that the fleet shows for a fan model (NULL: all), and the fit of them; for the command life.
 */
size_t risk_lifetimes(const struct fleet *fleet, const struct fan_model *model, struct arena *mem,
                      struct lifetime **out);
struct life_table risk_life_table(const struct fleet *fleet, struct arena *mem);
/* The life model to use for a fan model: its own, or that of all fans where its own has no failures. */
const struct life_model *risk_life_of(const struct assessment *a, const struct fan_model *model);

#endif
