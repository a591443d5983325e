#include "base/csv.h"
#include "export.h"
#include "export_grid.h"
#include "export_values.h"

static const char *percent(struct arena *mem, double p)
{
    return isnan(p) ? "" : arena_printf(mem, p < 0.0995 ? "%.1f %%" : "%.0f %%", 100 * p);
}

static const char *real(struct arena *mem, double x)
{
    return isfinite(x) ? arena_printf(mem, "%.3f", x) : "?";
}

static void add_method(struct grid *g, struct arena *mem, const char *days, const char *method,
                       const struct track_score *s)
{
    grid_add(g, (const char *const[]){days, method, real(mem, s->brier.skill), real(mem, s->brier.score),
                                      real(mem, s->log_score), real(mem, s->area), real(mem, s->concordance),
                                      percent(mem, s->precision)});
}

static void write_scores(const struct track *t, struct arena *mem, FILE *out)
{
    static const char *const heads[] = {"days", "method", "skill", "Brier",
                                        "log",  "area",   "order", "top 5 %"};
    struct grid g = grid_of(mem, heads, "rlrrrrrr");

    for (int s = 0; s < FORECAST_SPANS; s++) {
        const struct track_horizon *h = &t->horizons[s];
        for (int m = 0; h->forecasts && m < FORECAST_METHODS; m++)
            add_method(&g, mem, m ? "" : arena_printf(mem, "%d", h->days),
                       arena_printf(mem, "%s%s", forecast_method_word((enum forecast_method)m),
                                    (enum forecast_method)m == t->calibration.method ? " *" : ""),
                       &h->by[m]);
    }
    grid_write(&g, out);
}

static void write_tenths(const struct score_tenth *tenths, struct arena *mem, FILE *out)
{
    static const char *const heads[] = {"forecast", "of", "mean", "came", "sampling error", ""};
    struct grid g = grid_of(mem, heads, "lrrrrl");

    for (int k = 0; k < SCORE_TENTHS; k++) {
        const struct score_tenth *t = &tenths[k];
        if (!t->count)
            continue;
        grid_add(&g, (const char *const[]){arena_printf(mem, "%d to %d %%", 10 * k, 10 * k + 10),
                                           arena_printf(mem, "%zu", t->count), percent(mem, t->forecast),
                                           percent(mem, t->observed),
                                           arena_printf(mem, "+- %s", percent(mem, t->error)),
                                           fabs(t->observed - t->forecast) <= t->error ? "" : "outside"});
    }
    grid_write(&g, out);
}

static void write_replay(const struct track *t, struct arena *mem, FILE *out)
{
    char first[DAY_TEXT], last[DAY_TEXT];

    fputs("Replayed over the past\n\n", out);
    if (t->scored_day == DAY_UNKNOWN) {
        grid_paragraph(
            arena_printf(mem,
                         "The past is too short: forecasts are scored from %d days after a site's first "
                         "records on.",
                         TRACK_LEAD_DAYS + TRACK_LEARN_DAYS),
            0, EXPORT_WIDTH, out);
        return;
    }
    day_format(t->scored_day, first);
    day_format(t->last_day, last);
    grid_paragraph(
        arena_printf(mem, "%d dates from %s to %s, a week apart; %d drives, %d fan faults in the replay.",
                     t->scored_dates, first, last, t->calibration.drives, t->calibration.faults),
        0, EXPORT_WIDTH, out);
    fputc('\n', out);
    write_scores(t, mem, out);
    for (int s = 0; s < FORECAST_SPANS; s++) {
        const struct track_horizon *h = &t->horizons[s];
        if (!h->forecasts)
            continue;
        fputc('\n', out);
        grid_paragraph(
            arena_printf(mem,
                         "Within %d days, %s: %zu forecasts, %zu with a fault in time, %zu whose end was "
                         "not seen",
                         h->days, forecast_method_word(t->calibration.method), h->forecasts, h->faults,
                         h->lost),
            0, EXPORT_WIDTH, out);
        fputc('\n', out);
        write_tenths(h->tenths, mem, out);
    }
}

static void write_issued(const struct issued_record *r, struct arena *mem, FILE *out)
{
    fputs("\nIssued in packs\n\n", out);
    if (!r->forecasts) {
        fputs("No forecast that was issued is due yet.\n", out);
        return;
    }
    grid_paragraph(
        arena_printf(mem,
                     "%zu forecasts are due, %zu with a fault in time, %zu whose end was not seen (left "
                     "out). Brier skill %s, area %s.",
                     r->forecasts, r->faults, r->lost, real(mem, r->score.brier.skill),
                     real(mem, r->score.area)),
        0, EXPORT_WIDTH, out);
    fputc('\n', out);
    write_tenths(r->tenths, mem, out);
}

static const char note[] = "skill: 1 - Brier score over that of always saying the share that came. log: mean "
                           "of -log of the probability "
                           "given to what came. area: under the curve. order: concordance of risk and time "
                           "to the fault. top 5 %: share "
                           "with a fault among the top of each date's ranking. *: the method that is used. A "
                           "replay cuts the past by the "
                           "dates of what happened, not by when it became known, since history that was "
                           "caught up was all received late; "
                           "register data are those of now. Drives of which a fan was replaced are weighted "
                           "for; drives with an open fault "
                           "are not forecast. Sampling error: 95 %, drives as clusters.";

bool export_track_text(const struct fleet *f, const struct track *t, const struct issued_record *issued,
                       bool stored, FILE *out, struct err *err)
{
    struct arena *mem = arena_new(SIZE_MAX);
    char at[TIME_TEXT];

    time_format(f->as_of_us - f->as_of_us % US_PER_S, at);
    fprintf(out, "How past forecasts did, as of %s%s%s\n\n", at, f->only_site ? ", site " : "",
            f->only_site ? f->only_site : "");
    grid_paragraph(track_line(mem, t, issued), 0, EXPORT_WIDTH, out);
    fputc('\n', out);
    write_replay(t, mem, out);
    write_issued(issued, mem, out);
    fputc('\n', out);
    grid_paragraph(stored ? "Stored: reports use this calibration from now on."
                          : "Not stored: --calibrate makes reports use it.",
                   0, EXPORT_WIDTH, out);
    fputc('\n', out);
    grid_paragraph(note, 0, EXPORT_WIDTH, out);
    arena_free(mem);
    if (fflush(out) || ferror(out))
        return err_set(err, ERR_OUTPUT, "cannot write the results");
    return true;
}

static void write_row(const struct track_row *r, int span, FILE *out)
{
    static const char *const fates[] = {
        [FATE_FAULT] = "fault", [FATE_CHANGED] = "changed", [FATE_OPEN] = "open"};
    char at[TIME_TEXT];

    time_format(r->at_us, at);
    fprintf(out, "%s,", at);
    csv_write_text(out, r->drive->drive);
    fprintf(out, ",%.0f,%s,%.4f,%.6g", forecast_ends[span], fates[r->outcome.fate], r->outcome.days,
            r->weight[span]);
    for (int m = 0; m < FORECAST_METHODS; m++)
        fprintf(out, ",%.6g", r->p[m][span]);
    fputc('\n', out);
}

bool export_track_rows(const struct track *t, FILE *out, struct err *err)
{
    fputs("date,drive,horizon_days,outcome,days,weight", out);
    for (int m = 0; m < FORECAST_METHODS; m++)
        fprintf(out, ",%s", forecast_method_word((enum forecast_method)m));
    fputc('\n', out);
    for (size_t i = 0; i < t->row_count; i++)
        for (int s = 0; s < FORECAST_SPANS; s++)
            if (!isnan(t->rows[i].weight[s]))
                write_row(&t->rows[i], s, out);
    if (fflush(out) || ferror(out))
        return err_set(err, ERR_OUTPUT, "cannot write the forecasts");
    return true;
}

static json_t *score_json(const struct track_score *s)
{
    json_t *o = json_object();
    json_object_set_new(o, "brier", number(s->brier.score));
    json_object_set_new(o, "reliability", number(s->brier.reliability));
    json_object_set_new(o, "resolution", number(s->brier.resolution));
    json_object_set_new(o, "uncertainty", number(s->brier.uncertainty));
    json_object_set_new(o, "skill", number(s->brier.skill));
    json_object_set_new(o, "log_score", number(s->log_score));
    json_object_set_new(o, "area", number(s->area));
    json_object_set_new(o, "concordance", number(s->concordance));
    json_object_set_new(o, "precision_at_top", number(s->precision));
    return o;
}

static json_t *tenths_json(const struct score_tenth *tenths)
{
    json_t *list = json_array();
    for (int k = 0; k < SCORE_TENTHS; k++) {
        json_t *o = json_object();
        json_object_set_new(o, "from", number(k / 10.0));
        json_object_set_new(o, "forecasts", json_integer((json_int_t)tenths[k].count));
        json_object_set_new(o, "forecast", number(tenths[k].count ? tenths[k].forecast : (double)NAN));
        json_object_set_new(o, "observed", number(tenths[k].count ? tenths[k].observed : (double)NAN));
        json_object_set_new(o, "error", number(tenths[k].count ? tenths[k].error : (double)NAN));
        json_array_append_new(list, o);
    }
    return list;
}

static void set_counts(json_t *o, size_t forecasts, size_t faults, size_t lost)
{
    json_object_set_new(o, "forecasts", json_integer((json_int_t)forecasts));
    json_object_set_new(o, "faults", json_integer((json_int_t)faults));
    json_object_set_new(o, "lost", json_integer((json_int_t)lost));
}

static json_t *horizon_json(const struct track_horizon *h)
{
    json_t *o = json_object(), *methods = json_object();
    json_object_set_new(o, "days", json_integer(h->days));
    set_counts(o, h->forecasts, h->faults, h->lost);
    for (int m = 0; m < FORECAST_METHODS; m++)
        json_object_set_new(methods, forecast_method_word((enum forecast_method)m), score_json(&h->by[m]));
    json_object_set_new(o, "methods", methods);
    json_object_set_new(o, "calibration", tenths_json(h->tenths));
    return o;
}

static json_t *replay_json(const struct track *t)
{
    json_t *o = json_object(), *list = json_array();
    for (int s = 0; s < FORECAST_SPANS; s++)
        if (t->horizons[s].forecasts)
            json_array_append_new(list, horizon_json(&t->horizons[s]));
    json_object_set_new(o, "by", json_string("date")); /* not by receipt */
    json_object_set_new(o, "first_day", day(t->scored_day));
    json_object_set_new(o, "last_day", day(t->last_day));
    json_object_set_new(o, "dates", json_integer(t->scored_dates));
    json_object_set_new(o, "drives", json_integer(t->calibration.drives));
    json_object_set_new(o, "faults", json_integer(t->calibration.faults));
    json_object_set_new(o, "called", json_integer(t->called));
    json_object_set_new(o, "called_right", json_integer(t->called_right));
    json_object_set_new(o, "horizons", list);
    return o;
}

static json_t *issued_json(const struct issued_record *r)
{
    json_t *o = json_object();
    set_counts(o, r->forecasts, r->faults, r->lost);
    json_object_set_new(o, "called", json_integer(r->called));
    json_object_set_new(o, "called_right", json_integer(r->called_right));
    json_object_set_new(o, "score", r->forecasts ? score_json(&r->score) : json_null());
    json_object_set_new(o, "calibration", r->forecasts ? tenths_json(r->tenths) : json_null());
    return o;
}

bool export_track_json(const struct fleet *f, const struct track *t, const struct issued_record *issued,
                       bool stored, FILE *out, struct err *err)
{
    json_t *root = json_object();
    json_object_set_new(root, "as_of", moment(f->as_of_us));
    json_object_set_new(root, "site", text(f->only_site));
    json_object_set_new(root, "method", text(forecast_method_word(t->calibration.method)));
    json_object_set_new(root, "stored", json_boolean(stored));
    json_object_set_new(root, "replayed", replay_json(t));
    json_object_set_new(root, "issued", issued_json(issued));
    return dump(root, out, err);
}
