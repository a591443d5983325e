/*
 * Pictures of numbers: a fan's speed over the days, a distribution of demand, shares side by side. Labelled
 * where they stand, with units; what is not known is left open, never drawn as a line.
 */
#ifndef REPORTER_CHART_H
#define REPORTER_CHART_H

#include "design.h"
#include "score.h"

struct chart_frame {
    double x, y, w, h; /* points from the page's top left */
};

enum chart_event_kind {
    EVENT_WARNING,
    EVENT_ALARM,
    EVENT_CLEARED,
    EVENT_CLEANED,
    EVENT_RESEATED,
    EVENT_REPLACED,
    EVENT_OTHER_WORK
};
struct chart_event {
    int32_t day;
    enum chart_event_kind kind;
};

/* One value a day, in order of days; days that are not there, and NAN, are gaps. */
struct chart_line {
    const char *label;
    const int32_t *day;
    const double *value;
    size_t count;
};

struct chart_speed {
    int32_t from_day, today, to_day; /* the forecast lies between today and to_day */
    struct chart_line line;
    const struct chart_line *others; /* the drive's other fans, drawn thin */
    size_t other_count;
    double baseline, warning; /* rev/min; NAN: not known, not drawn */
    const char *baseline_label, *warning_label;
    double speed_today, slope[3]; /* lower, middle, upper, rev/min a day; NAN: no projection */
    const double (*ahead)[3];     /* the same as speeds, every so many days from today; NULL: straight on */
    size_t ahead_count, ahead_days;
    double days_to_warning[3];        /* lower, middle, upper; the upper may be INFINITY */
    const struct chart_event *events; /* in order of days */
    size_t event_count;
};
void chart_speed(struct pdf *pdf, const struct chart_speed *chart, const struct chart_frame *frame);

/* P(N = k) as bars, k from 0; bars up to 'stock' are dark, those beyond are what the shelf could not serve.
 */
struct chart_demand {
    const double *p;
    size_t count;
    int stock;
    const int *quantiles; /* marked below the axis */
    const char *const *quantile_labels;
    size_t quantile_count;
};
void chart_demand(struct pdf *pdf, const struct chart_demand *chart, const struct chart_frame *frame);

/* Counts of drives by mark as one bar of the width that 'most' would fill; each part has its own filling. */
void chart_shares(struct pdf *pdf, const int count[MARKS], int most, const struct chart_frame *frame);

/* What was said against what came, by tenths. */
void chart_record(struct pdf *pdf, const struct score_tenth tenths[SCORE_TENTHS],
                  const struct chart_frame *frame);

/* A step of 1, 2 or 5 times a power of ten that divides 'span' into at most 'parts'. */
double chart_step(double span, int parts);

#endif
