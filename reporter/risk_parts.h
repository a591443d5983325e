/*
 * What the files of risk share while one assessment is made. Not for others.
 */
#ifndef REPORTER_RISK_PARTS_H
#define REPORTER_RISK_PARTS_H

#include "drift.h"
#include "risk.h"

/*
 * A fan's speed since it was touched or made a step, in blocks of some good days, oldest first. Small, since
 * it is kept for every fan until all sites are read.
 */
enum { RISK_BLOCK_DAYS = 5 };
struct speed_blocks {
    uint16_t lost[DRIFT_VALUES];     /* share of the baseline that is lost, as risk_path.c packs it */
    uint8_t half_days[DRIFT_VALUES]; /* before today */
    uint8_t count;
    float noise; /* of a block, because speeds come in steps; share of the baseline */
};

/*
 * A fan's speed on its way to the warning speed. Whoever combines it with other witnesses needs 'known',
 * 'distance' and risk_path_probability.
 */
struct speed_path {
    bool known;                  /* level and warning speed are known */
    double distance;             /* from the level today to the warning speed, in rev/min */
    double trust;                /* share of cases in which the drive warns at that speed */
    double limit, limit_sd;      /* share of the baseline that is lost at the warning speed */
    const struct drift_law *law; /* of its fan model */
    struct drift_way *ways;
    size_t way_count;
};

/* Gamma law of the faults a day: shape and days of observation, prior and own together; days 0: no law. */
struct fault_rate {
    double shape, days;
    double limits[2]; /* 5 and 95 % points of the rate times 2 days: chi-square with 2 shape degrees */
};

struct fan_view {
    struct fan_risk *risk;
    const struct fan *fan;
    const struct drive_risk *drive;
    int32_t touched_day;  /* of the last work that changes the speed, or the fitting; DAY_UNKNOWN: none */
    const double *season; /* peers' relative speed on each day of the window; NULL: too few peers */
    double season_now;    /* the same on the days of the level; 1 without peers */
    struct speed_blocks blocks;
    double warning_sd; /* of the warning speed, where it is not known exactly */
    struct speed_path path;
    struct fault_rate faults;
    int sharers;            /* fans of the drive that the same faults may be of */
    bool silent;            /* a speed is expected and does not come */
    bool suspect;           /* a fault is open and may be of this fan */
    double dropout_monthly; /* probability of a fault within 30 days of such drop-outs; 0: none */
    const struct life_model *life;
    double pace; /* its site's, see struct life_table: age and span times pace go into 'life' */
};

/* Hazards that a fan's witnesses see up to some days ahead, with their limits; NAN: it says nothing. */
struct look {
    double middle[WITNESSES], low[WITNESSES], high[WITNESSES];
};

/* The same at the ends of the spans as far as they are needed, and at the days that were asked for. */
enum { OUTLOOK_LEAST_DAYS = 90 };
struct outlook {
    const struct fan_view *view;
    double days;
    struct look ends[FORECAST_SPANS], at;
};

struct chance {
    double p, limits[2];
};

/* Speeds around a warning, as they were read: the drive's limit lies between. */
struct warned {
    const struct fan_view *view;
    double low, high;
};

struct assessing {
    const struct fleet *fleet;
    int horizon_days;
    int32_t today; /* the day of as_of; the last closed day is the one before */
    struct arena *mem, *scratch;
    struct drive_risk *drives; /* all, in order of key */
    size_t drive_count;
    struct fan_view *views; /* of the site at hand, at the end of all; in order of machine, drive, position */
    size_t view_count;
    int32_t *starts;             /* see risk_site_starts */
    const struct drift_law *law; /* of all fans */
    struct warned *warned;
    size_t warned_count, warned_room;
    double dropout_months, dropout_followed; /* months with drop-outs; with a fault in the next month */
};

bool risk_good_day(const struct fan_day *d);
/* The newest good day, or NULL. */
const struct fan_day *risk_last_good(const struct fan *fan);
/* How many views from v[0] on, of at most n, are of the same machine. */
size_t risk_machine_run(struct fan_view *const *v, size_t n);
/* The same for the views in their own order, from view 'at' on. */
size_t risk_machine_views(const struct assessing *a, size_t at);
/* Order of pointers to views: by fan model, then as they lie. For qsort. */
int risk_by_model(const void *x, const void *y);
/* Gives the views of each fan model, of all that are at hand; those of one model in order of their keys. */
void risk_by_models(struct assessing *a,
                    void (*judge)(struct assessing *a, struct fan_view *const *v, size_t n));

/* Lives with the place in fleet->fan_models (fan_model_count: not known) and fleet->sites, in order of their
 * ages. */
struct site_life {
    struct lifetime life;
    size_t model, site;
};
size_t risk_site_lives(const struct fleet *fleet, const int32_t *starts, struct arena *mem,
                       struct site_life **out);
/* Its ages as they run at its site's pace. */
struct lifetime risk_paced(const struct site_life *l, const double *pace);
/* What a piece of work found to be the cause of a failure or fault: enum cause; -1: none. */
int risk_cause_of(const struct work *w);

/* As risk_life_of, before there is an assessment. */
const struct life_model *risk_life_of_model(const struct fleet *fleet, const struct life_table *life,
                                            const struct fan_model *model);
struct life_table risk_life_table(const struct fleet *fleet, const int32_t *starts, struct arena *mem);

/* What looks at days is done site by site, in this order. */
void risk_records(struct assessing *a); /* risk_lives.c: the site's days count for its start */
/* risk_peers.c: baselines, seasons, levels against peers. */
void risk_baselines(struct assessing *a);
void risk_seasons(struct assessing *a); /* risk_season.c */
void risk_levels(struct assessing *a);
/* risk_silent.c: who stands, who is silent, and why there is no speed. */
void risk_silences(struct assessing *a);
/* risk_speed.c: how each fan's speed moved. */
void risk_speeds(struct assessing *a);
/* risk_warning.c: at which speeds drives warned. */
void risk_warned_speeds(struct assessing *a);
/* risk_events.c: drop-outs. */
void risk_dropouts(struct assessing *a);

/* The rest needs no days, and all sites. */
/* risk_peers.c: factors of wrongly set up speeds. */
void risk_meter_factors(struct assessing *a);
/* risk_warning.c: warning speed of each fan. */
void risk_warning_speeds(struct assessing *a);
/* risk_path.c: the way of each fan to its warning speed. */
void risk_paths(struct assessing *a);
/* Probability that the path reaches the warning speed within some days: middle and limits. */
double risk_path_probability(const struct speed_path *path, double days, double limits[2]);
/* How the blocks hold what a fan has lost, a share of its baseline. */
uint16_t risk_pack_lost(double lost);
/* risk_events.c: what the drives' own episodes and the fans' drop-outs say. */
void risk_events(struct assessing *a);
double risk_event_probability(const struct fan_view *v, double days, double limits[2]);
/* risk_chance.c: from hazards to probabilities; an outlook each of the n fans of a drive. */
void risk_outlook(const struct fan_view *v, double days, struct outlook *o);
/* 'days' is that of the outlooks, or one of the ends up to OUTLOOK_LEAST_DAYS. */
struct chance risk_fan_chance(const struct assessing *a, const struct outlook *o, size_t n, size_t k,
                              double days);
struct chance risk_drive_chance(const struct assessing *a, const struct outlook *o, size_t n, double days);
/* Of an outlook to the end of the last span. */
void risk_witnesses(const struct outlook *o, struct fan_witnesses *out);
struct signs risk_signs(const struct assessing *a, const struct fan_view *views, size_t n);
/* risk_words.c: causes, reasons. */
void risk_causes(struct assessing *a, struct fan_view *v);
void risk_reasons(struct assessing *a, struct drive_risk *d, const struct fan_view *views);
/* "2,304" */
const char *risk_number(struct arena *mem, double x);

#endif
