/*
 * What stands on the pages of the three packs. Layout only through design.h and pdf.h; all numbers come from
 * the assessment.
 */
#ifndef REPORTER_PACK_H
#define REPORTER_PACK_H

#include "stock.h"
#include "track_issued.h"

struct pack_input {
    const struct assessment *assessment; /* of the horizon that is printed */
    const struct demand *demand;
    size_t demand_count;
    const struct order_line *orders;
    size_t order_count;
    double service;                     /* the asked service, 0..1 */
    const struct issued_record *issued; /* how issued forecasts did; NULL: not asked */
};

/* Each writes one file into dir and appends its path to *path (in mem). */
MUST_USE bool pack_site(const struct pack_input *in, const struct site *site, const char *dir,
                        struct arena *mem, const char **path, struct err *err);
MUST_USE bool pack_procurement(const struct pack_input *in, const char *dir, struct arena *mem,
                               const char **path, struct err *err);
MUST_USE bool pack_fleet(const struct pack_input *in, const char *dir, struct arena *mem, const char **path,
                         struct err *err);

#endif
