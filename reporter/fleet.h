/*
 * The fleet as it was known at a moment: register, daily summaries, episodes, work, stock. Read once, then
 * only looked at.
 *
 * fleet.c, fleet_history.c, fleet_forecasts.c and fleet_readings.c are the reporter's only callers of SQL.
 * Numbers that are not known are NAN, moments TIME_UNKNOWN, days DAY_UNKNOWN, texts NULL, answers
 * ANSWER_UNKNOWN. Everything lives in the arena that it was read into. All lists are in order of their keys,
 * days and episodes in order of time.
 */
#ifndef REPORTER_FLEET_H
#define REPORTER_FLEET_H

#include "base/clock.h"
#include "base/episode.h"
#include "db.h"

#include <stdio.h>

enum answer { ANSWER_UNKNOWN, ANSWER_NO, ANSWER_YES };

struct part {
    const char *part, *description, *currency, *supersedes;
    int64_t price_minor; /* of one piece, in hundredths; -1: not known */
    double lead_time_days, lead_time_sd_days;
    int order_multiple, minimum_order; /* at least 1 */
    int32_t last_order_day;
    const struct part *successor; /* the part that supersedes this one, else NULL */
};

struct fan_model {
    const char *fan_model;
    const struct part *part;
    double rated_rpm, warning_rpm, l10_hours, l10_temperature_c;
};

struct drive_model {
    const char *drive_model, *description;
    enum answer reports_speed;
    int internal_fans; /* -1: not known */
    double warning_to_alarm_s;
};

struct site {
    const char *site, *name, *time_zone, *paper, *email, *lockout_procedure; /* name falls back to the key */
    struct fan **fans;                                                       /* in order of fan_no */
    size_t fan_count;
};

struct machine {
    const struct site *site;
    const char *machine, *name, *location, *controller, *asset_number, *currency, *lockout_procedure;
    double stop_cost_per_hour, stop_hours;
};

/* One closed UTC day of one fan, as far as reports use it. */
struct fan_day {
    int32_t day;
    uint16_t unavailable_readings, zero_readings; /* 65535: so many or more */
    int covered_s;
    float lowest;  /* rev/min above 0; NAN or 0 when none was known */
    double median; /* rev/min above 0; NAN when none was known */
};

enum work_action {
    WORK_CLEANED,
    WORK_RESEATED,
    WORK_REPLACED,
    WORK_HOUSING,
    WORK_CONNECTOR,
    WORK_BOARD,
    WORK_DRIVE,
    WORK_NONE
};

struct work {
    int64_t done_us;
    enum work_action action;
    const char *reason, *finding, *technician, *part, *note; /* NULL when not given */
    double rpm_before, rpm_after;
};

struct fan {
    const struct drive *drive;
    const char *position;
    int fan_no;
    const struct fan_model *model; /* NULL: not known */
    int32_t installed_day; /* of the fan in the place now: register or last replacement, whichever is later */
    double hours_at_install;
    int32_t registered_day; /* as the register has it: may be from before the last replacement */
    double registered_hours;
    bool bound; /* some source reports its speed */
    struct fan_day *days;
    size_t day_count;
    struct work *work;
    size_t work_count;
};

struct drive {
    const struct machine *machine;
    const struct drive_model *model; /* NULL: not known */
    const char *drive, *cabinet_slot, *serial;
    double waiting_time_min;
    enum answer obstructed, warning_hidden;
    const char **axes;
    size_t axis_count;
    struct fan *fans;
    size_t fan_count;
    struct episode *episodes;
    size_t episode_count;
};

struct stock {
    const struct site *site;
    const struct part *part;
    int on_hand, on_order;
    int32_t due_day, counted_day;
};

struct source_state {
    const struct site *site;
    const char *source;
    int64_t last_contact_us;
    int failures;
    const char *last_error;
    int gaps;              /* recorded up to the as-of */
    const char *link_down; /* it answers, but says that what it reads is not connected; NULL: it is */
};

struct calibration; /* forecast.h */
struct track;       /* track.h */

struct fleet {
    int64_t as_of_us;
    const char *only_site; /* whose drives are reported; NULL: all sites' */
    struct site *sites;
    size_t site_count;
    struct machine *machines;
    size_t machine_count;
    struct drive *drives;
    size_t drive_count;
    struct part *parts;
    size_t part_count;
    struct fan_model *fan_models;
    size_t fan_model_count;
    struct drive_model *drive_models;
    size_t drive_model_count;
    struct stock *stock;
    size_t stock_count;
    struct source_state *sources;
    size_t source_count;
    const struct track *track;             /* the newest stored that was known at as_of_us; NULL: none yet */
    const struct calibration *calibration; /* the one in it */
};

/*
 * Reads what was known at as_of_us: daily summaries and episodes in the version of that moment, work and
 * imports recorded until then. site: whose drives are to be reported, NULL for all; the whole fleet is read
 * all the same, so that a site's numbers do not depend on the choice. An unknown site is ERR_USAGE and names
 * those there are.
 */
MUST_USE bool fleet_read(struct db *db, const char *site, int64_t as_of_us, struct arena *mem,
                         struct fleet *out, struct err *err);
/*
 * The same in parts, since the days of a large fleet do not fit into memory all at once: everything but the
 * daily summaries, then those of one site after the other from the same snapshot, then the end. Forgetting
 * leaves the site's fans without days; their memory is the caller's.
 */
MUST_USE bool fleet_begin(struct db *db, const char *site, int64_t as_of_us, struct arena *mem,
                          struct fleet *out, struct err *err);
MUST_USE bool fleet_read_days(struct db *db, const struct fleet *fleet, const struct site *site,
                              struct arena *mem, struct err *err);
void fleet_forget_days(const struct site *site);
MUST_USE bool fleet_end(struct db *db, bool ok, struct err *err); /* ok: nothing failed on the way */

/* Which fans: NULL stands for all. */
struct fleet_fans {
    const char *site, *drive, *position;
};
/*
 * Raw readings of a span [from, to) as CSV on out, in the form that the collector imports:
 * drive,position,read_at,rpm; fan by fan, oldest first; rpm is empty where the equipment said: no value.
 * *count counts them. No such fan is ERR_USAGE.
 */
MUST_USE bool fleet_readings(struct db *db, const struct fleet_fans *which, int64_t from_us, int64_t to_us,
                             FILE *out, int64_t *count, struct err *err);

#endif
