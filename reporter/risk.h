/*
 * How likely each fan, and through it each drive, is to report a fault within the horizon, and why. Pure.
 *
 * Witnesses: the fan's speed on its way to the warning speed (trend) and below its own level, its age (life),
 * its episodes and drop-outs (events). They are combined as the fleet's own past taught (fleet->calibration,
 * forecast.h), and as if independent where there is no such thing yet. What cannot be judged is listed as
 * unknown with the reason, never ranked as fine.
 */
#ifndef REPORTER_RISK_H
#define REPORTER_RISK_H

#include "fleet.h"
#include "forecast.h"
#include "life.h"

/*
 * What to do with a drive; the words stand on paper. Independent of the horizon that was asked for:
 * now        a fault is open, a fan stands or is below its warning speed, or 50 % within 7 days
 * this week  15 % within 7 days or 50 % within 30
 * plan       15 % within 30 days, 30 % within 90, or a fan below 90 % of its own level, season apart
 * watch      all else
 */
enum action { ACTION_NOW, ACTION_THIS_WEEK, ACTION_PLAN, ACTION_WATCH };
const char *action_word(enum action a);

enum cause { CAUSE_WORN, CAUSE_DIRT, CAUSE_CONNECTOR, CAUSE_BOARD, CAUSE_MEASUREMENT, CAUSE_COUNT };
const char *cause_word(enum cause c);

/*
 * Life models of the fan models, in the order of fleet->fan_models, and one of all fans together. A fan model
 * borrows from the others what it does not know itself (life_pool.h).
 */
struct life_table {
    struct life_model *models, *own; /* as they are used; as the model's own lives alone have it */
    struct life_model all;
    double *pace;          /* by site: hours that its fans age in an hour, 1 where sites do not differ */
    const int32_t *starts; /* by site: first day with any record */
};

/*
 * How speeds are judged. A good day has a known speed for 6 hours and a median. The baseline is the median of
 * the first 21 good days since the fan was fitted (or since it was last cleaned, reseated or its housing
 * changed, where that is higher: such work cannot take away from a fan's own level); fewer than 7 such days
 * give none. The level is the median of the last 5 good days within 10 days. Peers are the fans of the same
 * model at the same site, the same days, machine by machine; 3 other machines are needed. The way to the
 * warning speed is judged by the newest 80 good days within the window (drift.h), the season taken out; the
 * slope that is told beside it is that of the newest days by Theil and Sen.
 */
enum {
    RISK_GOOD_COVER_S = 6 * 3600,
    RISK_BASELINE_DAYS = 21,
    RISK_BASELINE_LEAST = 7,
    RISK_LEVEL_DAYS = 5,
    RISK_LEVEL_SPAN_DAYS = 10,
    RISK_TREND_DAYS = 60,
    RISK_TREND_LEAST = 10,
    RISK_WINDOW_DAYS = 120, /* calendar days that trend and season look back */
    RISK_AHEAD_STEPS = 12,  /* of the speeds that are foretold */
    RISK_AHEAD_STEP_DAYS = 8,
    RISK_SILENT_DAYS = 3, /* without a speed while its site reports: silent */
    RISK_PEER_MACHINES = 3,
    RISK_EVENT_DAYS = 90,   /* episodes counted against a drive, unless work was done since */
    RISK_DROPOUT_DAYS = 30, /* drop-outs and dips counted against a fan */
};

struct fan_risk {
    const struct fan *fan;
    double probability, interval[2]; /* of a fault within the horizon; NAN when unknown */
    double from_trend, from_life, from_events;
    const char *unknown; /* why it cannot be judged, else NULL */
    const char *missing; /* which witness is missing and why, else NULL; said even when it is judged */
    double rpm;          /* latest daily median */
    int32_t rpm_day;
    double level_rpm;         /* median of the last good days; NAN: none lately */
    double lowest_rpm;        /* of the last RISK_DROPOUT_DAYS days, drop-outs apart; NAN: not known */
    double baseline_rpm;      /* see above */
    bool baseline_own;        /* false: the peers' or the rated speed stands in */
    int32_t baseline_day;     /* first day of the own baseline */
    double relative;          /* level / baseline */
    double peer_relative;     /* relative speed against the median of its peers': the season taken out */
    double cabinet_relative;  /* upper median of the same for the machine's other fans; NAN: fewer than 2 */
    double meter_factor;      /* 1; else reading / truth: the speed is set up wrongly by 1/2, 2, 1/3 or 3 */
    double warning_rpm;       /* in the units of its readings; NAN: not known */
    const char *warning_from; /* "register", "80 % of rated speed, our default" ...: where it comes from */
    bool stopped;             /* reads 0 while the machine's other fans run */
    int dropout_days;         /* of the last 30: days with zeros or no value while its neighbours had none */
    double slope_per_day, slope_limits[2]; /* rev/min a day */
    int32_t trend_from_day;
    double rate_per_day[3];    /* rev/min a day by which it goes on: 10, 50, 90 %; NAN: not known */
    double not_falling;        /* probability that its drift is not downwards; NAN: not known */
    const double (*ahead)[3];  /* RISK_AHEAD_STEPS + 1 speeds from today on: 10, 50, 90 %; NULL: no trend */
    double days_to_warning[3]; /* lower, middle, upper (10, 50, 90 %); INFINITY: never; NAN: no trend */
    int trend_days;            /* good days that the slope is from; 0: no trend */
    double age_hours;          /* NAN: not known */
    double cause_weight[CAUSE_COUNT]; /* see enum cause; add to 1, all 0 when nothing points anywhere */
};

struct drive_risk {
    const struct drive *drive;
    double probability, interval[2];
    double machine_probability; /* of any ranked drive of its machine */
    double expected_cost; /* probability times stop hours times cost per hour; NAN: stop cost not known */
    enum action action;
    const struct episode *open; /* the fault that is reported now, else NULL */
    int recent_episodes;        /* counted against it, see RISK_EVENT_DAYS */
    int recent_cleared;         /* of these, cleared by themselves */
    const char **reasons;       /* sentences with numbers in them, the strongest first */
    size_t reason_count;
    double cause_weight[CAUSE_COUNT];
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

/* Ranks the drives of fleet->only_site, or all; the others serve as peers and for the life models. */
void risk_assess(const struct fleet *fleet, int horizon_days, struct arena *mem, struct assessment *out);
/*
 * The same with the days of one site at a time in memory: 'days' brings them to the fans of a site, and may
 * take away those of the site before. Its failure ends the assessment.
 */
typedef bool risk_days_fn(void *context, const struct site *site, struct err *err);
MUST_USE bool risk_assess_by_site(const struct fleet *fleet, int horizon_days, risk_days_fn *days,
                                  void *context, struct arena *mem, struct assessment *out, struct err *err);
/*
 * What the witnesses say of each drive that can be ranked, to the end of each span; drive is its place in
 * fleet->drives; date and outcome are the caller's. The fleet's days are in memory.
 */
size_t risk_rows(const struct fleet *fleet, struct arena *mem, struct forecast_row **rows);
/* First day with any record of each site, in the order of fleet->sites; DAY_UNKNOWN: none. */
int32_t *risk_site_starts(const struct fleet *fleet, struct arena *mem);
/* The lifetimes that the fleet shows for a fan model (NULL: all), in no order of places. */
size_t risk_lifetimes(const struct fleet *fleet, const struct fan_model *model, struct arena *mem,
                      struct lifetime **out);
/* The life model to use for a fan model: its own with what it borrows, or that of all fans where no model has
 * a failure or the fan's is not known. */
const struct life_model *risk_life_of(const struct assessment *a, const struct fan_model *model);

#endif
