/*
 * How often a place fails within a span when each failed unit is replaced by a new one at once: a renewal
 * process with Weibull lives. Pure.
 *
 * Accurate to 1e-9 and better while the span is a few lives; see renewal.c for what is done beyond.
 */
#ifndef REPORTER_RENEWAL_H
#define REPORTER_RENEWAL_H

#include "distribution.h"

/* What all places with the same life model share: prepared once, used for each of them. */
struct renewal;
struct renewal *renewal_prepare(double shape, double scale, double span, struct arena *mem);
/* age: of the unit that is there now, 0 new, NAN not known (then as old as a place long in use has it). */
double renewal_first(const struct renewal *r, double age); /* P(at least one failure within the span) */
/* first: that probability by other evidence than age, else NAN; the moment of the failure is then still
 * spread over the span as the age has it, and later failures follow the life model. */
struct distribution renewal_distribution(const struct renewal *r, double age, double first,
                                         struct arena *mem);

/* Expected failures of a new unit and its replacements by t. */
double renewal_function(double shape, double scale, double t);
struct distribution renewal_count(double shape, double scale, double age, double t, struct arena *mem);
struct distribution renewal_count_given(double p, double shape, double scale, double age, double t,
                                        struct arena *mem);

#endif
