/*
 * The invented company: what stands where, what reports what, and what truly happens to every fan in the
 * simulated time. catalog.c and plan.c build the company, items.c what its sources offer, fate.c, story.c and
 * mishap.c what happens, physics.c the speeds.
 */
#ifndef FLEET_FLEET_H
#define FLEET_FLEET_H

#include "moment.h"

#include <stddef.h>

enum position { INTERNAL_1, INTERNAL_2, HEAT_SINK, POSITIONS };
enum { MAX_AXES = 3, MAX_REPORTS = 6, NONE = -1, HORIZON_DAYS = 200 };

enum code {
    CODE_FAN_WARNING,
    CODE_FAN_ALARM,
    CODE_HEAT_SINK,
    CODE_BUILDER,
    CODE_OTHER_1,
    CODE_OTHER_2,
    CODES
};

/* --- what is bought --- */

struct part {
    const char *part, *description;
    double unit_price;
    int lead_time_days, lead_time_sd_days, order_multiple, minimum_order;
    const char *supersedes, *last_order_on;
    int usual_stock;
};

struct fan_model {
    const char *fan_model, *part, *housing;
    int rated_rpm, warning_rpm, l10_hours;
    double l10_temperature_c;
    double life_shape, life_scale_h; /* the truth: Weibull, in running hours */
};

struct drive_model {
    const char *drive_model, *description;
    bool reports_speed;
    int internal_fans;
    bool heat_sink;
    int resolution_rpm, warning_to_alarm_s, waiting_min;
    bool silent_when_off; /* speed UNAVAILABLE without power; else 0 */
    const char *internal_fan, *newer_internal_fan, *heat_sink_fan;
};

enum drive_class { CLASS_SPINDLE, CLASS_MULTI, CLASS_SINGLE, CLASS_PLAIN, CLASSES };

struct native {
    const char *code, *text, *severity, *kind; /* kind as in the register's code map */
};

struct family { /* of controllers */
    const char *controller;
    const char *drive_models[CLASSES];
    struct native natives[CODES];
    bool heat_sink_warns;
};

/* --- where it stands --- */

struct site {
    const char *site, *name, *time_zone, *paper, *email, *lockout_procedure;
    int utc_offset_h;
    const char *kinds[4], *places[3]; /* machine types and halls in the site's language */
    const char *technicians[3];
    double *weather; /* per day of the whole simulated time */
};

struct window {
    int64_t from_ms, to_ms;
};

struct windows {
    struct window *at;
    size_t count;
};

struct burst { /* of dirt in one cabinet: grows to 'peak' over 'grow_days', cleaned at 'to_ms' */
    int64_t from_ms, to_ms;
    double peak, grow_days;
};

struct machine {
    char machine[16], name[64], location[64], asset_number[16];
    int site, family, source, type;
    double stop_cost_per_hour, stop_hours; /* 0: not known */
    bool off_at_weekends, has_builder_messages;
    double dirt_per_day;
    struct burst burst; /* peak 0: none */
    int64_t *cleanings; /* rising */
    size_t cleaning_count;
    struct windows off;    /* power off, in order, not overlapping */
    struct windows silent; /* link of the source to the machine down */
    size_t first_drive, drive_count, first_axis, axis_count;
};

struct drive {
    char drive[24], cabinet_slot[16], serial[24];
    int machine, model, number; /* 1, 2, .. within the machine */
    bool warning_hidden, hidden_is_known, in_story;
    int axes[MAX_AXES], axis_count;
    int fans[POSITIONS];      /* index or NONE */
    int reports[MAX_REPORTS]; /* condition items that tell of its faults, indices into the source's items */
    int report_count;
};

struct axis {
    char axis[24], letter[4];
    int machine, drive;
    bool drive_is_known;
};

/* --- what truly happens --- */

struct unit { /* one piece that sits at a position for a while */
    int64_t from_ms, to_ms;
    int model;           /* of the fan */
    double base;         /* own speed against rated */
    int64_t onset_ms;    /* wear begins to show */
    int64_t crossing_ms; /* worn down to the warning speed; NEVER within the horizon */
    double loss;         /* share of speed lost at the crossing */
    float *path;         /* share of 'loss' per day since the onset */
    size_t path_days;
};

struct dropout { /* a bad connector */
    int64_t from_ms, to_ms;
    double share; /* of readings lost at the end of the span */
    bool as_zero;
};

enum fan_state { FAN_FINE, FAN_WEARS, FAN_DIRTY, FAN_LOOSE, FAN_STOPPED };

struct fan {
    int drive, speed_item; /* NONE */
    enum position position;
    int64_t phase_ms;     /* of its reading within the hour */
    int64_t installed_ms; /* of the first unit, before the history begins */
    int hours_at_install; /* 0: new */
    bool install_is_known, register_is_late;
    int64_t story_crossing_ms, story_onset_ms; /* NEVER: fate decides */
    int64_t story_repair_ms;                   /* NEVER: fate decides */
    bool story_stops;                          /* no one comes before the alarm */
    bool story_open;                           /* nobody repairs it before the end */
    int64_t forced_ms;                         /* replaced along with its neighbour; NEVER */
    int64_t age_ms;                            /* replaced for its age; NEVER */
    struct dropout dropout;                    /* share 0: none */
    struct unit *units;
    int *faults; /* indices */
    size_t unit_count, fault_count;
};

enum fault_kind { FAULT_FAN, FAULT_HEAT_SINK_FAN, FAULT_OTHER };

struct fault {
    enum fault_kind kind;
    enum code other;
    int drive, fan;
    int64_t slow_ms;            /* the fan is slow from here on */
    int64_t warning_ms;         /* NEVER: no warning */
    int64_t alarm_ms, clear_ms; /* NEVER: none, still open */
    double low;                 /* speed against warning speed while it lasts */
};

struct work {
    int fan;
    int64_t done_ms;
    const char *action, *reason, *finding, *technician;
    double rpm_before, rpm_after; /* below 0: not known */
    const char *part, *note;
};

/* --- what the sources offer --- */

enum style { STYLE_PLAIN, STYLE_COMPOSITION, STYLE_COMPONENT, STYLE_FEED };
enum clearing { CLEARS_BY_CODE, CLEARS_BARE, CLEARS_BY_ID };
enum item_kind { ITEM_SPEED, ITEM_CONDITION, ITEM_AVAILABILITY, ITEM_POWER, ITEM_MOTOR, ITEM_CONNECTION };
enum category { CATEGORY_SAMPLE, CATEGORY_EVENT, CATEGORY_CONDITION };

struct composition {
    char id[48];
    const char *type;
    int component;
};

struct component {
    const char *element;
    char id[48], name[32];
    int parent, device; /* parent NONE: the device itself */
};

struct item {
    char id[48];
    enum item_kind kind;
    enum category category;
    const char *type, *element, *sub_type;
    int component, composition; /* composition: index or NONE */
    int drive, axis;            /* index or NONE */
    enum position position;     /* of a speed */
    int device;
    double nominal, lower_warning; /* 0: not given */
};

struct device {
    int machine; /* NONE: the agent's own device */
    char name[32], uuid[40];
};

struct source {
    const char *source;
    int site, family;
    int machines; /* as planned */
    enum style style;
    const char *version, *prefix; /* of MTConnect and of its elements */
    enum clearing clearing;
    enum moment_style moments;
    int64_t clock_offset_ms;
    bool restarts, forgets, extension_type, in_small;
    bool empty_when_new; /* answers from == next with an empty document, not an error */
    uint64_t buffer_size;
    struct device *devices;
    struct component *components;
    struct composition *compositions;
    struct item *items; /* by component, then category */
    size_t device_count, component_count, composition_count, item_count;
};

struct options {
    uint64_t seed;
    int64_t end_ms, first_read_ms;
    int days;
    bool small;
    unsigned troubles; /* of trouble.h */
};

struct fleet {
    struct options options;
    int64_t start_ms, end_ms, first_read_ms, restart_ms;
    const struct part *parts;
    const struct fan_model *fan_models;
    const struct drive_model *drive_models;
    const struct family *families;
    size_t part_count, fan_model_count, drive_model_count, family_count;
    struct site *sites;
    struct source *sources;
    struct machine *machines;
    struct drive *drives;
    struct axis *axes;
    struct fan *fans;
    struct fault *faults;
    struct work *works;
    size_t site_count, source_count, machine_count, drive_count, axis_count, fan_count, fault_count,
        work_count;
    int live_drive; /* whose fan slows down when the fleet goes live */
};

/* catalog.c: models, parts, controller families, sites and sources. */
void catalog_fill(struct fleet *f);
int catalog_fan_model(const struct fleet *f, const char *key);
int catalog_drive_model(const struct fleet *f, const char *key);

/* plan.c: the whole company with all that happens to it. The same options give the same fleet. */
struct fleet *fleet_new(const struct options *options);
void fleet_free(struct fleet *f);
const char *position_word(enum position p);
const struct drive_model *drive_model_of(const struct fleet *f, int drive);
const struct family *family_of(const struct fleet *f, int drive);
const struct machine *machine_of(const struct fleet *f, int drive);
const struct source *source_of(const struct fleet *f, int drive);

/* items.c: devices, components and data items of every source. */
void items_fill(struct fleet *f);

/* story.c: the scripted part of what happens, so that every fleet has something to find. */
void stories_assign(struct fleet *f);
void stories_play(struct fleet *f);

/* fate.c: how long fans live, what fails when, who repairs it. */
void fate_decide(struct fleet *f);
/* A moment at or near 'at_ms' from which the machine is powered for 'needed_ms' and no border of the source's
 * record is crossed. */
int64_t fate_settle(const struct fleet *f, int drive, int64_t at_ms, int64_t needed_ms);
/* True when no other fault of the drive comes near the span. */
bool fate_fits(const struct fleet *f, int drive, int64_t from_ms, int64_t to_ms);
void fate_add_fault(struct fleet *f, struct fault fault);
void fate_add_work(struct fleet *f, struct work work);
/* A warning that clears by itself after some seconds; dropped when it does not fit. */
bool fate_brief_warning(struct fleet *f, int fan, int64_t at_ms, int seconds, double low);
const char *fate_technician(const struct fleet *f, int fan, int64_t at_ms);

/* mishap.c: connectors, dirt, stray warnings, other messages, links that go down, week-ends without power. */
void mishaps_weekends(struct fleet *f);
void mishaps_decide(struct fleet *f);
void mishaps_silence(struct fleet *f);
void windows_add(struct windows *w, int64_t from_ms, int64_t to_ms);
bool windows_cover(const struct windows *w, int64_t at_ms);

#endif
