/*
 * How many of each part will be needed: the distribution of replacements within a horizon, per site and for
 * the fleet, by exact convolution of the fans' own distributions (a replaced fan can fail again). Pure. Also
 * the plain methods for a demand history without an installed base. Checked against published values in
 * tests/unit/test_demand.c.
 *
 * Every fault is taken to lead to a swap. Fans run 24 hours a day.
 */
#ifndef REPORTER_DEMAND_H
#define REPORTER_DEMAND_H

#include "distribution.h"
#include "renewal.h"
#include "risk.h"

struct demand {
    const struct part *part; /* the one to order: the successor where a part is superseded */
    const struct site *site; /* NULL: the whole fleet */
    int fans;                /* installed, of the part or of one that it supersedes */
    int superseded;          /* of these, fitted with a superseded one */
    int unjudged;            /* of these, without a life model or a risk: not in the count */
    struct distribution count;
};

/* Items per part and site, then per part with site NULL, in order of keys; parts without fans are left out.
 */
size_t demand_of(const struct assessment *a, int horizon_days, struct arena *mem, struct demand **items);

/* The part that is ordered for it: at the end of its successors. */
const struct part *demand_part(const struct part *part);

/* A fan of a known part, and what its demand is worked out from. */
struct demand_place {
    const struct part *part; /* to order */
    const struct part *fitted;
    const struct site *site;
    const struct fan_risk *risk;
    const struct drive_risk *drive;
    const struct life_model *life; /* NULL: none that says anything */
};
/* All of an assessment, in order of part and site. */
size_t demand_places(const struct assessment *a, struct arena *mem, struct demand_place **places);

/* Renewals of each life model and span, prepared when first asked for. */
struct demand_renewals;
struct demand_renewals *demand_renewals_new(const struct assessment *a, struct arena *mem);
/* Of n places together, within a span of days; the fans that cannot be judged are counted in *unjudged. */
struct distribution demand_within(struct demand_renewals *r, const struct demand_place *places, size_t n,
                                  double days, struct arena *mem, int *unjudged);

enum demand_class { DEMAND_SMOOTH, DEMAND_ERRATIC, DEMAND_INTERMITTENT, DEMAND_LUMPY, DEMAND_UNDEFINED };
struct demand_history {
    double croston, sba, tsb; /* rate per period */
    double adi, cv2;          /* periods / demands; population squared coefficient of variation of sizes */
    enum demand_class class;
    const char *chosen;        /* "croston", "sba" or "tsb": least pinball loss in replay, sba when alike */
    struct distribution count; /* of one period, around the chosen rate, as wide as the history is */
};
/* alpha smooths sizes and intervals, beta the probability of a demand (tsb alone). */
void demand_from_history(const double *quantity, size_t periods, double alpha, double beta, struct arena *mem,
                         struct demand_history *out);
const char *demand_class_word(enum demand_class c);

#endif
