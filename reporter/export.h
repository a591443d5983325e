/*
 * Results on standard output: JSON for programs (the only user of jansson here), aligned tables for people.
 *
 * JSON is the contract of the commands: keys stay, unknown numbers are null. Tables keep to 100 columns where
 * the keys allow it and end with a note of what the numbers mean.
 */
#ifndef REPORTER_EXPORT_H
#define REPORTER_EXPORT_H

#include "life_report.h"
#include "stock.h"
#include "track_issued.h"

struct history_part {
    const char *part;
    size_t periods;
    struct demand_history history;
};

enum { EXPORT_WIDTH = 100 };

MUST_USE bool export_rank_json(const struct assessment *a, FILE *out, struct err *err);
MUST_USE bool export_rank_text(const struct assessment *a, FILE *out, struct err *err);
MUST_USE bool export_life_json(const struct life_report *r, FILE *out, struct err *err);
MUST_USE bool export_life_text(const struct life_report *r, FILE *out, struct err *err);
MUST_USE bool export_demand_json(const struct assessment *a, const struct demand *items, size_t count,
                                 FILE *out, struct err *err);
MUST_USE bool export_demand_text(const struct assessment *a, const struct demand *items, size_t count,
                                 FILE *out, struct err *err);
MUST_USE bool export_history_json(const struct history_part *parts, size_t count, FILE *out, struct err *err);
MUST_USE bool export_history_text(const struct history_part *parts, size_t count, FILE *out, struct err *err);
MUST_USE bool export_stock_json(const struct assessment *a, double service, const struct order_line *lines,
                                size_t count, FILE *out, struct err *err);
MUST_USE bool export_stock_text(const struct assessment *a, double service, const struct order_line *lines,
                                size_t count, FILE *out, struct err *err);
/* stored: the calibration is used from now on. */
MUST_USE bool export_track_json(const struct fleet *f, const struct track *t,
                                const struct issued_record *issued, bool stored, FILE *out, struct err *err);
MUST_USE bool export_track_text(const struct fleet *f, const struct track *t,
                                const struct issued_record *issued, bool stored, FILE *out, struct err *err);
/* Each forecast of the replay as CSV, a row a drive, date and horizon. */
MUST_USE bool export_track_rows(const struct track *t, FILE *out, struct err *err);
/* The files that were written. */
MUST_USE bool export_files_json(int64_t as_of_us, const char *const *paths, size_t count, FILE *out,
                                struct err *err);

#endif
