/*
 * What the command life shows beside the laws: whether they fit, what else ends lives, covariates, places
 * that fail again. Pure.
 */
#ifndef REPORTER_LIFE_REPORT_H
#define REPORTER_LIFE_REPORT_H

#include "life_check.h"
#include "life_recurrence.h"
#include "life_regression.h"
#include "risk.h"

/* One group of lives: a fan model, "all", or a group of a file. */
struct life_group {
    const char *group;
    struct life_model model;  /* from its own lives alone */
    struct life_model pooled; /* with what it borrows; no law: there is nothing to borrow from */
    struct life_check check;
    struct life_step step; /* of the curve, where half of its failures are seen; age NAN: none */
};

struct life_cause {
    const char *cause;
    double events;
    double rate, limits[2]; /* a million hours; 95 %, as Poisson counts */
    double share, se;       /* ended by it first, up to life_causes.age */
};
struct life_causes {
    double hours, age;
    struct life_cause list[LIFE_MOST_CAUSES];
    size_t count; /* causes that were seen */
};

/* A place at which fans are replaced for a failure faster and faster. */
struct life_place {
    const char *drive, *position;
    double events, growth, p;
};
struct life_places {
    double places, events, days;
    double mean, limits[2]; /* replacements a place within the days */
    struct power_law law;
    struct life_place *worse;
    size_t worse_count;
};

struct life_pace {
    const char *site;
    double pace;
};

struct life_report {
    int64_t as_of_us; /* TIME_UNKNOWN: from a file */
    struct life_group *groups;
    size_t group_count;
    struct life_causes causes;
    const struct life_regression *effects; /* NULL: no covariates */
    struct life_places places;             /* places 0: not known */
    struct life_pace *paces;               /* sites that differ from the others */
    size_t pace_count;
};

/* Sets check and step from the lives of the model. */
void life_report_group(const struct lifetime *lives, size_t n, struct arena *mem, struct life_group *g);
/* events: of each cause, first or not, within the hours. cause: what ended each failed life first. */
void life_report_causes(const struct lifetime *lives, const int *cause, size_t n, const double *events,
                        const char *const *names, size_t causes, struct arena *mem, struct life_causes *out);
/* Of a fleet. */
void life_report_of(const struct assessment *a, struct arena *mem, struct life_report *out);

#endif
