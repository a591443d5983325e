#include "fleet_forecasts.h"
#include "fleet_read.h"
#include "numeric.h"
#include "queries.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* "{1,2.5}" into n numbers; false where there are others, as of an older program. */
static bool read_reals(const char *text, double *out, size_t n)
{
    size_t k = 0;
    if (!text || *text != '{')
        return false;
    while (k < n && *text && *text != '}') {
        char *end;
        out[k++] = strtod(text + 1, &end);
        text = end;
    }
    return k == n && *text == '}';
}

enum { RIVAL_NUMBERS = RIVAL_CLASSES * FORECAST_SPANS };

static bool read_numbers(const struct rows *rows, int column, struct calibration *c)
{
    double hazards[RIVALS * RIVAL_NUMBERS], errors[RIVALS * RIVAL_NUMBERS];

    if (!read_reals(rows_text(rows, 0, column), c->combination.term, FORECAST_TERMS) ||
        !read_reals(rows_text(rows, 0, column + 1), c->combination.covariance,
                    FORECAST_TERMS * FORECAST_TERMS) ||
        !read_reals(rows_text(rows, 0, column + 2), hazards, RIVALS * RIVAL_NUMBERS) ||
        !read_reals(rows_text(rows, 0, column + 3), errors, RIVALS * RIVAL_NUMBERS))
        return false;
    for (int k = 0; k < RIVALS; k++) {
        memcpy(c->rivals[k].hazard, hazards + k * RIVAL_NUMBERS, sizeof c->rivals[k].hazard);
        memcpy(c->rivals[k].error, errors + k * RIVAL_NUMBERS, sizeof c->rivals[k].error);
    }
    return true;
}

/* The place of a horizon among the ends of the spans; -1: none of them. */
static int span_of(int64_t days)
{
    for (int s = 0; s < FORECAST_SPANS; s++)
        if (days == (int64_t)forecast_ends[s])
            return s;
    return -1;
}

static bool read_scores(struct fleet_reader *r, struct track *t, struct err *err)
{
    enum {
        HORIZON,
        METHOD,
        FORECASTS,
        FAULTS,
        LOST,
        SHARE,
        BRIER,
        RELIABILITY,
        RESOLUTION,
        SKILL,
        LOG,
        AREA,
        C,
        TOP
    };
    const struct db_value params[] = {db_moment(t->calibration.known_us)};
    struct rows *rows;

    if (!db_query(r->db, &q_calibration_scores, params, 1, &rows, err))
        return err_in(err, "scores of the calibration");
    for (size_t i = 0; i < rows_count(rows); i++) {
        int span = span_of(rows_int(rows, i, HORIZON));
        enum forecast_method m;
        if (span < 0 || !forecast_method_parse(rows_text(rows, i, METHOD), &m))
            continue;
        struct track_horizon *h = &t->horizons[span];
        h->days = (int)rows_int(rows, i, HORIZON);
        h->forecasts = (size_t)rows_int(rows, i, FORECASTS);
        h->faults = (size_t)rows_int(rows, i, FAULTS);
        h->lost = (size_t)rows_int(rows, i, LOST);
        double share = rows_real(rows, i, SHARE);
        h->by[m] = (struct track_score){
            .brier = {.share = share,
                      .score = rows_real(rows, i, BRIER),
                      .reliability = rows_real(rows, i, RELIABILITY),
                      .resolution = rows_real(rows, i, RESOLUTION),
                      .uncertainty = share * (1 - share),
                      .skill = rows_real(rows, i, SKILL)},
            .log_score = rows_real(rows, i, LOG),
            .area = rows_real(rows, i, AREA),
            .concordance = rows_real(rows, i, C),
            .precision = rows_real(rows, i, TOP),
        };
    }
    rows_free(rows);
    return true;
}

static bool read_tenths(struct fleet_reader *r, struct track *t, struct err *err)
{
    enum { HORIZON, TENTH, FORECASTS, FORECAST, OBSERVED, ERROR };
    const struct db_value params[] = {db_moment(t->calibration.known_us)};
    struct rows *rows;

    if (!db_query(r->db, &q_calibration_tenths, params, 1, &rows, err))
        return err_in(err, "tenths of the calibration");
    for (size_t i = 0; i < rows_count(rows); i++) {
        int span = span_of(rows_int(rows, i, HORIZON));
        if (span >= 0)
            t->horizons[span].tenths[rows_int(rows, i, TENTH)] = (struct score_tenth){
                .count = (size_t)rows_int(rows, i, FORECASTS),
                .forecast = rows_real(rows, i, FORECAST),
                .observed = rows_real(rows, i, OBSERVED),
                .error = rows_real(rows, i, ERROR),
            };
    }
    rows_free(rows);
    return true;
}

/* False: written by another version of the program. */
static bool take_calibration(const struct rows *rows, struct track *t)
{
    enum {
        RECORDED,
        AS_OF,
        METHOD,
        TERMS,
        FIRST = TERMS + 4,
        SCORED,
        LAST,
        DATES,
        SCORED_DATES,
        DRIVES,
        FAULTS,
        CALLED,
        RIGHT
    };
    *t = (struct track){.calibration = {.known_us = rows_moment(rows, 0, RECORDED),
                                        .as_of_us = rows_moment(rows, 0, AS_OF),
                                        .dates = (int)rows_int(rows, 0, DATES),
                                        .drives = (int)rows_int(rows, 0, DRIVES),
                                        .faults = (int)rows_int(rows, 0, FAULTS)},
                        .first_day = rows_day(rows, 0, FIRST),
                        .scored_day = rows_day(rows, 0, SCORED),
                        .last_day = rows_day(rows, 0, LAST),
                        .scored_dates = (int)rows_int(rows, 0, SCORED_DATES),
                        .called = (int)rows_int(rows, 0, CALLED),
                        .called_right = (int)rows_int(rows, 0, RIGHT)};
    return forecast_method_parse(rows_text(rows, 0, METHOD), &t->calibration.method) &&
           read_numbers(rows, TERMS, &t->calibration);
}

bool fleet_read_track(struct fleet_reader *r, struct err *err)
{
    const struct db_value params[] = {db_moment(r->fleet->as_of_us)};
    struct rows *rows;

    if (!db_query(r->db, &q_calibration_newest, params, 1, &rows, err))
        return err_in(err, "calibration");
    struct track *t = arena_alloc(r->mem, sizeof *t);
    bool there = rows_count(rows) && take_calibration(rows, t);
    rows_free(rows);
    if (!there)
        return true;
    r->fleet->track = t;
    r->fleet->calibration = &t->calibration;
    return read_scores(r, t, err) && read_tenths(r, t, err);
}

static struct db_value reals(struct arena *mem, const double *x, size_t n)
{
    struct db_value *cells = arena_array(mem, struct db_value, n);
    for (size_t i = 0; i < n; i++)
        cells[i] = db_real(x[i]);
    return db_array(cells, n);
}

static bool insert_calibration(struct db *db, const struct track *t, int64_t now_us, struct arena *mem,
                               struct err *err)
{
    const struct calibration *c = &t->calibration;
    double hazards[RIVALS * RIVAL_NUMBERS], errors[RIVALS * RIVAL_NUMBERS];

    for (int k = 0; k < RIVALS; k++) {
        memcpy(hazards + k * RIVAL_NUMBERS, c->rivals[k].hazard, sizeof c->rivals[k].hazard);
        memcpy(errors + k * RIVAL_NUMBERS, c->rivals[k].error, sizeof c->rivals[k].error);
    }
    const struct db_value params[] = {
        db_moment(now_us),
        db_moment(c->as_of_us),
        db_text(forecast_method_word(c->method)),
        reals(mem, c->combination.term, FORECAST_TERMS),
        reals(mem, c->combination.covariance, FORECAST_TERMS * FORECAST_TERMS),
        reals(mem, hazards, RIVALS * RIVAL_NUMBERS),
        reals(mem, errors, RIVALS * RIVAL_NUMBERS),
        db_day(t->first_day),
        db_day(t->scored_day),
        db_day(t->last_day),
        db_int(c->dates),
        db_int(t->scored_dates),
        db_int(c->drives),
        db_int(c->faults),
        db_int(t->called),
        db_int(t->called_right),
    };
    return db_exec(db, &q_calibration_insert, params, sizeof params / sizeof *params, NULL, err);
}

static struct db_value real_or_null(double x)
{
    return db_real(isfinite(x) ? x : D_NAN);
}

static bool insert_scores(struct db *db, const struct track_horizon *h, int64_t now_us, struct err *err)
{
    bool ok = true;
    for (int m = 0; ok && m < FORECAST_METHODS; m++) {
        const struct track_score *s = &h->by[m];
        const struct db_value params[] = {
            db_moment(now_us),
            db_int(h->days),
            db_text(forecast_method_word((enum forecast_method)m)),
            db_int((int64_t)h->forecasts),
            db_int((int64_t)h->faults),
            db_int((int64_t)h->lost),
            real_or_null(s->brier.share),
            real_or_null(s->brier.score),
            real_or_null(s->brier.reliability),
            real_or_null(s->brier.resolution),
            real_or_null(s->brier.skill),
            real_or_null(s->log_score),
            real_or_null(s->area),
            real_or_null(s->concordance),
            real_or_null(s->precision),
        };
        ok = db_exec(db, &q_calibration_score_insert, params, sizeof params / sizeof *params, NULL, err);
    }
    for (int k = 0; ok && k < SCORE_TENTHS; k++) {
        const struct score_tenth *t = &h->tenths[k];
        const struct db_value params[] = {
            db_moment(now_us),         db_int(h->days),           db_int(k),
            db_int((int64_t)t->count), real_or_null(t->forecast), real_or_null(t->observed),
            real_or_null(t->error),
        };
        ok = db_exec(db, &q_calibration_tenth_insert, params, sizeof params / sizeof *params, NULL, err);
    }
    return ok;
}

bool fleet_store_track(struct db *db, const struct track *track, int64_t now_us, struct err *err)
{
    struct arena *mem = arena_new(SIZE_MAX);
    bool ok = db_begin(db, err);

    if (ok) {
        ok = insert_calibration(db, track, now_us, mem, err);
        for (int s = 0; ok && s < FORECAST_SPANS; s++)
            if (track->horizons[s].forecasts)
                ok = insert_scores(db, &track->horizons[s], now_us, err);
        if (ok)
            ok = db_commit(db, err);
        else
            db_rollback(db);
    }
    arena_free(mem);
    return ok || err_in(err, "storing the track record");
}

bool fleet_store_forecasts(struct db *db, const struct assessment *a, struct err *err)
{
    enum { SITE, DRIVE, PROBABILITY, LOWER, UPPER, ACTION, COLUMNS };
    struct arena *mem = arena_new(SIZE_MAX);
    const struct calibration *c = a->fleet->calibration;
    struct db_value *cells[COLUMNS];
    size_t n = a->ranked_count;

    for (int k = 0; k < COLUMNS; k++)
        cells[k] = arena_array(mem, struct db_value, n);
    for (size_t i = 0; i < n; i++) {
        const struct drive_risk *d = &a->ranked[i];
        cells[SITE][i] = db_text(d->drive->machine->site->site);
        cells[DRIVE][i] = db_text(d->drive->drive);
        cells[PROBABILITY][i] = db_real(d->probability);
        cells[LOWER][i] = db_real(d->interval[0]);
        cells[UPPER][i] = db_real(d->interval[1]);
        cells[ACTION][i] = db_text(action_word(d->action));
    }
    struct db_value params[COLUMNS + 4];
    for (int k = 0; k < COLUMNS; k++)
        params[k] = db_array(cells[k], n);
    params[COLUMNS] = db_moment(a->fleet->as_of_us);
    params[COLUMNS + 1] = db_int(a->horizon_days);
    params[COLUMNS + 2] = db_text(forecast_method_word(c ? c->method : METHOD_SUM));
    params[COLUMNS + 3] = db_moment(c ? c->known_us : TIME_UNKNOWN);
    bool ok = !n || db_exec(db, &q_forecast_insert, params, COLUMNS + 4, NULL, err);
    arena_free(mem);
    return ok || err_in(err, "storing the forecasts");
}

static bool is_urgent(const char *action)
{
    return strcmp(action, action_word(ACTION_NOW)) == 0 || strcmp(action, action_word(ACTION_THIS_WEEK)) == 0;
}

bool fleet_read_issued(struct db *db, const struct fleet *fleet, struct arena *mem, struct issued **issued,
                       size_t *count, struct err *err)
{
    enum { DRIVE, ISSUED, HORIZON, PROBABILITY, ACTION };
    const struct db_value params[] = {db_moment(fleet->as_of_us)};
    struct rows *rows;

    if (!db_query(db, &q_forecasts_due, params, 1, &rows, err))
        return err_in(err, "issued forecasts");
    *issued = arena_array(mem, struct issued, rows_count(rows));
    *count = 0;
    for (size_t i = 0; i < rows_count(rows); i++) {
        const struct drive *d = fleet_find_drive(fleet, rows_text(rows, i, DRIVE));
        if (d)
            (*issued)[(*count)++] = (struct issued){.drive = d,
                                                    .issued_us = rows_moment(rows, i, ISSUED),
                                                    .horizon_days = (int)rows_int(rows, i, HORIZON),
                                                    .probability = rows_real(rows, i, PROBABILITY),
                                                    .urgent = is_urgent(rows_text(rows, i, ACTION))};
    }
    rows_free(rows);
    return true;
}
