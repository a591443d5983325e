/*
 * What to order now: base stock per part and site against the demand over lead time and review period. Pure.
 * Money is an integer of hundredths of the currency.
 */
#ifndef REPORTER_STOCK_H
#define REPORTER_STOCK_H

#include "demand.h"

/* Expected backorders, on-hand stock and the two service measures of a base stock s against lead-time demand.
 */
struct service {
    double backorders, on_hand, ready_rate /* P(X <= s-1) */, cycle /* P(X <= s) */;
};
struct service stock_service(const struct distribution *demand, int s);
/* Smallest s with P(X <= s-1) >= target, so that a unit is on the shelf when it is asked for. */
int stock_base(const struct distribution *demand, double target);

struct order_line {
    const struct part *part; /* the successor where a part is superseded */
    const struct site *site;
    int on_hand, on_order; /* of the part itself */
    double span_days;      /* lead time and review period together */
    double mean;           /* demand over span_days */
    int quantile;          /* at the asked service */
    int base_stock;
    int order;                            /* pieces, a multiple of the order step; 0: none */
    double service_without, service_with; /* ready rate over the span */
    int32_t order_by_day; /* latest day to order so that the service holds; as-of day when it is already late;
                             DAY_UNKNOWN: no order */
    int64_t cost_minor;   /* order x price; -1: price not known */
    const char *why;      /* a sentence with the numbers */
    const struct drive_risk **drives; /* at-risk drives at the site that need the part, at most 8 */
    size_t drive_count;
};

enum { STOCK_REVIEW_DAYS = 7, STOCK_DEFAULT_LEAD_DAYS = 28, STOCK_MOST_DRIVES = 8 };

/* One line per part and site that has fans of it or stock of it; those to order first, then by part and site.
 */
size_t stock_plan(const struct assessment *a, double service, struct arena *mem, struct order_line **lines);

#endif
