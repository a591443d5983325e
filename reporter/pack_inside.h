/*
 * What the packs share: wording of numbers, days and money, names of documents and jobs, choices of drives.
 */
#ifndef REPORTER_PACK_INSIDE_H
#define REPORTER_PACK_INSIDE_H

#include "pack.h"
#include "table.h"

enum { PACK_MAX_JOBS = 40 };

/* Wording; everything in mem. What is not known reads "not known". */
const char *pack_percent(struct arena *mem, double p);
/* "34 % (21 to 52 %)" */
const char *pack_likely(struct arena *mem, double p, const double interval[2]);
const char *pack_number(struct arena *mem, double v); /* whole, grouped by thousands */
const char *pack_cost(struct arena *mem, double cost, const char *currency);
const char *pack_price(struct arena *mem, int64_t minor, const char *currency);
const char *pack_speed(struct arena *mem, double rpm); /* with its unit */
const char *pack_day(struct arena *mem, int32_t day);
const char *pack_moment(struct arena *mem, int64_t us, const struct site *site);
const char *pack_or(const char *text, const char *otherwise);
/* "axes X1, Y1" and the like: joined by a comma. */
const char *pack_list(struct arena *mem, const char *const *items, size_t count);
const char *pack_plural(struct arena *mem, int64_t n, const char *one, const char *many);

enum mark pack_mark(enum action action);
struct cell pack_action_cell(enum action action); /* mark and word */
enum paper pack_paper(const struct site *site);

/* A document of a site, or of the fleet with site NULL, opened with its head, foot and identity. */
MUST_USE bool pack_open(struct sheet *s, const struct pack_input *in, const struct site *site,
                        const char *kind, const char *title, const char *subject, struct arena *mem,
                        struct err *err);
/* Saves it in dir and closes it, whatever comes. */
MUST_USE bool pack_close(struct sheet *s, const struct pack_input *in, const struct site *site,
                         const char *kind, const char *dir, struct arena *mem, const char **path,
                         struct err *err);

/* The fan that a drive's job is about: the likeliest to fail. NULL when the drive has none. */
const struct fan_risk *pack_worst_fan(const struct drive_risk *risk);
const char *pack_job_id(struct arena *mem, const struct drive_risk *risk, int64_t as_of_us);
int pack_on_hand(const struct fleet *fleet, const struct site *site,
                 const struct part *part); /* -1: not known */

/* A drive that is to be worked on, with the place of its job sheet. */
struct job {
    const struct drive_risk *risk;
    int target; /* -1: no sheet */
};
/* Those of a site with an action, the most urgent first, then dearest first. */
size_t pack_jobs(const struct assessment *a, const struct site *site, struct sheet *s, struct job **jobs);
/* Draws the job sheet on a page of its own. */
void pack_job_sheet(struct sheet *s, const struct pack_input *in, const struct job *job);

/* The picture of a fan's speed at the sheet's y; only for a fan that has a speed in the days shown. */
void pack_job_picture(struct sheet *s, const struct pack_input *in, const struct drive_risk *risk,
                      const struct fan_risk *fan, double height);
bool pack_job_has_speed(const struct pack_input *in, const struct fan_risk *fan);

/* How good the last forecasts were, with their picture. */
void pack_record(struct sheet *s, const struct pack_input *in);

/* What is not seen at a site: sources, drives, settings. */
void pack_blind_spots(struct sheet *s, const struct pack_input *in, const struct site *site);

/* What is printed on a job sheet beside the facts; sentences by case. */
struct job_words {
    const char **special, **cautions, **bring, **checks, **missing;
    size_t special_count, caution_count, bring_count, check_count, missing_count;
    const char *causes, *acceptance, *kind; /* kind of maintenance in the words of EN 13306 */
};
void pack_job_words(struct arena *mem, const struct pack_input *in, const struct drive_risk *risk,
                    const struct fan_risk *fan, struct job_words *out);

#endif
