/*
 * The Weibull log-likelihood of observed lives with right and interval censoring and late entry, its
 * derivatives and its maximum. The inside of life.c: ages are divided by the largest one, the parameters are
 * mu = log scale and s = log shape.
 */
#ifndef REPORTER_LIFE_LIKELIHOOD_H
#define REPORTER_LIFE_LIKELIHOOD_H

#include "life.h"
#include "life_powers.h"

/* Beyond these shapes an estimate says no more than that there is none. */
#define LIFE_SHAPE_MIN 0.02
#define LIFE_SHAPE_MAX 1000.0

struct life_data {
    struct life_powers exposures; /* ends of lives with their counts; late entries with theirs taken off */
    size_t intervals;             /* failures known to lie in (low, high]; log_low is -INFINITY from new */
    double *log_low, *log_high, *interval_weight;
    double units, failures, exact; /* exact: failures with a known age */
    double sum_log;                /* of the exact failures' ages */
    double log_unit;               /* log of the largest age */
    bool late;                     /* some unit entered late: the likelihood may have several maxima */
    bool shape_bounded;            /* false: the likelihood grows with the shape for ever */
    bool exposed;                  /* some unit was seen to survive some span */
};

struct life_value {
    double l, mu, s;         /* log-likelihood and first derivatives */
    double mu_mu, mu_s, s_s; /* second derivatives */
};

struct life_point {
    double mu, s;
    struct life_value at;
};

/* Adds what a single row says, its ages as logs in one unit (-INFINITY: 0); log_high NAN: exact or running.
 */
struct life_row {
    double log_entry, log_exit, log_high, count;
    bool failed;
};
struct life_row life_row_of(const struct lifetime *life, double log_unit);
void life_add_row_value(const struct life_row *row, double mu, double s, struct life_value *v);
/* Ends the program where a row is not valid. */
void life_check_row(const struct lifetime *row, size_t number);

enum life_free { LIFE_FREE_SCALE = 1, LIFE_FREE_SHAPE = 2, LIFE_FREE_BOTH = 3 };

void life_data_of(const struct lifetime *lives, size_t count, struct arena *mem, struct life_data *d);
struct life_value life_value_at(const struct life_data *d, double mu, double s);
/* Climbs from *p to the nearest maximum over the free parameters; false when there is none within the limits
 * of the shape. */
bool life_climb(const struct life_data *d, int free, struct life_point *p);
/* The maximum over both parameters; false when it does not exist. */
bool life_maximise(const struct life_data *d, struct life_point *p);
/* The maximum over the scale for a given shape; needs failures and exposure. */
bool life_maximise_scale(const struct life_data *d, double shape, struct life_point *p);
/* Sum of age^shape, those of late entries taken off; in the units of the data, not of the hour. */
double life_exposure(const struct life_data *d, double shape);

#endif
