/*
 * How many of each part will be needed: the distribution of replacements within a horizon, per site and for
 * the fleet, by exact convolution of the fans' own distributions (a replaced fan can fail again). Pure. Also
 * the plain methods for a demand history without an installed base. Checked against published values in
 * tests/unit/test_demand.c.
 */
#ifndef REPORTER_DEMAND_H
#define REPORTER_DEMAND_H

#include "risk.h"

/* P(N = k), k = 0 .. size-1, adding to 1 (the tail beyond is below 1e-12 and folded into the last). */
struct distribution {
    double *p;
    size_t size;
};
double distribution_mean(const struct distribution *d);
int distribution_quantile(const struct distribution *d, double q); /* smallest k with P(N <= k) >= q */
double distribution_at_most(const struct distribution *d, int k);
struct distribution distribution_sum(const struct distribution *a, const struct distribution *b,
                                     struct arena *mem);
/* Sum of independent yes/no events (Poisson-binomial). */
struct distribution distribution_of_events(const double *p, size_t n, struct arena *mem);

/* Expected failures of a new unit by t and their distribution, replaced at each failure by a new one
 * (ordinary renewal, Weibull); first_failed >= 0: the probability of the first failure by t is that instead,
 * spread over the horizon as the unit's own conditional law from 'age'. */
double renewal_function(double shape, double scale, double t);
struct distribution renewal_count(double shape, double scale, double age, double t, struct arena *mem);
/* The same when the first failure has probability p within t (by other evidence than age); later ones by the
 * life model. */
struct distribution renewal_count_given(double p, double shape, double scale, double age, double t,
                                        struct arena *mem);

struct demand {
    const struct part *part;
    const struct site *site; /* NULL: the whole fleet */
    int fans;                /* installed, of the part */
    struct distribution count;
};

/* Items per part and site, then per part with site NULL, in order of keys; parts without fans are left out.
 */
size_t demand_of(const struct assessment *a, int horizon_days, struct arena *mem, struct demand **items);

enum demand_class { DEMAND_SMOOTH, DEMAND_ERRATIC, DEMAND_INTERMITTENT, DEMAND_LUMPY, DEMAND_UNDEFINED };
struct demand_history {
    double croston, sba, tsb; /* rate per period */
    double adi, cv2;          /* periods / demands; population squared coefficient of variation of sizes */
    enum demand_class class;
    const char *chosen;        /* "croston", "sba" or "tsb": least pinball loss in replay */
    struct distribution count; /* of one period, around the chosen rate */
};
void demand_from_history(const double *quantity, size_t periods, double alpha, double beta, struct arena *mem,
                         struct demand_history *out);
const char *demand_class_word(enum demand_class c);

#endif
