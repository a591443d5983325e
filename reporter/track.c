#include "track.h"
#include "numeric.h"
#include "risk.h"

#include <math.h>
#include <string.h>

/* A row with its moment, and what each method said then. */
struct past {
    struct forecast_row row;
    struct track_row said;
    bool scored;
};

struct replaying {
    const struct fleet *fleet;
    struct arena *mem, *scratch;
    struct track *out;
    struct past *past; /* in order of time */
    size_t count, room;
};

static int32_t *first_days(const struct replaying *r)
{
    const struct fleet *f = r->fleet;
    int32_t *first = risk_site_starts(f, r->mem);
    for (size_t i = 0; i < f->site_count; i++)
        if (first[i] != DAY_UNKNOWN)
            first[i] += TRACK_LEAD_DAYS;
    return first;
}

static void keep(struct replaying *r, const struct forecast_row *row, int64_t at_us)
{
    if (r->count == r->room) {
        r->room = r->room ? 2 * r->room : 1024;
        r->past = arena_grow(r->mem, r->past, r->count, r->room, sizeof *r->past);
    }
    r->past[r->count++] =
        (struct past){.row = *row, .said = {&r->fleet->drives[row->drive], at_us, .outcome = row->outcome}};
}

/* The fleet at one date. */
static void replay_date(struct replaying *r, int64_t at_us, int date, const int32_t *first)
{
    const struct fleet *f = r->fleet;
    struct fleet cut;
    struct forecast_row *rows;

    arena_reset(r->scratch);
    replay_cut(f, at_us, r->scratch, &cut);
    size_t n = risk_rows(&cut, r->mem, &rows);
    for (size_t i = 0; i < n; i++) {
        const struct drive *d = &f->drives[rows[i].drive];
        int32_t from = first[d->machine->site - f->sites];
        if (from == DAY_UNKNOWN || from > day_of(at_us) || replay_in_fault(d, at_us))
            continue;
        rows[i].date = date;
        rows[i].outcome = replay_outcome(d, at_us, f->as_of_us);
        keep(r, &rows[i], at_us);
    }
}

/* Dates a week apart, the last one a week ago. */
static void replay_dates(struct replaying *r)
{
    const struct fleet *f = r->fleet;
    const int32_t *first = first_days(r);
    int32_t begin = DAY_UNKNOWN;
    int dates = 0;

    for (size_t i = 0; i < f->site_count; i++)
        if (first[i] != DAY_UNKNOWN && (begin == DAY_UNKNOWN || first[i] < begin))
            begin = first[i];
    if (begin != DAY_UNKNOWN && begin < day_of(f->as_of_us))
        dates = (day_of(f->as_of_us) - begin) / TRACK_STEP_DAYS;
    dates = dates > TRACK_MOST_DATES ? TRACK_MOST_DATES : dates;
    for (int k = 0; k < dates; k++)
        replay_date(r, f->as_of_us - (dates - k) * TRACK_STEP_DAYS * US_PER_DAY, k, first);
    r->out->calibration.dates = dates;
    if (!r->count)
        return;
    r->out->first_day = day_of(r->past[0].said.at_us);
    r->out->last_day = day_of(r->past[r->count - 1].said.at_us);
}

/* Fits all methods to the first rows, with what had come until a moment. */
static void learn(struct replaying *r, size_t count, int64_t until_us, struct calibration *c)
{
    arena_reset(r->scratch);
    struct forecast_row *rows = arena_array(r->scratch, struct forecast_row, count);
    for (size_t i = 0; i < count; i++) {
        rows[i] = r->past[i].row;
        rows[i].outcome = replay_outcome(&r->fleet->drives[rows[i].drive], r->past[i].said.at_us, until_us);
    }
    forecast_fit(rows, count, TRACK_STEP_DAYS, &c->combination);
    for (int k = 0; k < RIVALS; k++)
        forecast_fit_rival(rows, count, TRACK_STEP_DAYS, (enum rival)k, &c->rivals[k]);
}

static void foretell(struct past *p, const struct calibration *c)
{
    p->scored = true;
    for (int s = 0; s < FORECAST_SPANS; s++)
        p->said.weight[s] = D_NAN;
    for (int m = 0; m < FORECAST_METHODS; m++)
        for (int s = 0; s < FORECAST_SPANS; s++)
            p->said.p[m][s] = forecast_row_probability(c, (enum forecast_method)m, &p->row, s);
}

/* Forward in time: fit, forecast the dates that follow, fit again. */
static void go_forward(struct replaying *r)
{
    struct calibration c;
    int learned = -1, begin = TRACK_LEARN_DAYS / TRACK_STEP_DAYS;

    r->out->scored_day = DAY_UNKNOWN;
    for (size_t i = 0; i < r->count; i++) {
        struct past *p = &r->past[i];
        int date = p->row.date - r->past[0].row.date;
        if (date < begin)
            continue;
        if (learned < 0 || date >= learned + TRACK_REFIT) {
            learn(r, i, p->said.at_us, &c);
            learned = date;
        }
        foretell(p, &c);
        if (r->out->scored_day == DAY_UNKNOWN)
            r->out->scored_day = day_of(p->said.at_us);
        if (!i || p->said.at_us != r->past[i - 1].said.at_us)
            r->out->scored_dates++;
    }
}

/* The scored rows whose horizon has passed. */
struct due {
    struct past **rows;
    double *weights;
    size_t count;
};

/* Weights of the likely ones, or of the others, among themselves. */
static void weigh(struct replaying *r, const struct due *due, int span, bool likely)
{
    struct score_life *lives = arena_array(r->scratch, struct score_life, due->count);
    double *weights = arena_array(r->scratch, double, due->count);
    size_t *places = arena_array(r->scratch, size_t, due->count), n = 0;

    for (size_t i = 0; i < due->count; i++) {
        const struct past *p = due->rows[i];
        if ((p->said.p[METHOD_SUM][span] >= TRACK_LIKELY) != likely)
            continue;
        places[n] = i;
        lives[n++] =
            (struct score_life){.time = p->row.outcome.days, .failed = p->row.outcome.fate == FATE_FAULT};
    }
    score_weights(lives, n, forecast_ends[span], r->scratch, weights);
    for (size_t i = 0; i < n; i++)
        due->weights[places[i]] = weights[i];
}

/* All sites teach; those of the site that was asked for are scored. */
static bool is_asked_for(const struct replaying *r, const struct past *p)
{
    const struct fleet *f = r->fleet;
    return !f->only_site || strcmp(f->drives[p->row.drive].machine->site->site, f->only_site) == 0;
}

static struct due due_rows(struct replaying *r, int span)
{
    struct due due = {.rows = arena_array(r->scratch, struct past *, r->count),
                      .weights = arena_array(r->scratch, double, r->count)};
    for (size_t i = 0; i < r->count; i++) {
        struct past *p = &r->past[i];
        double days = (double)(r->fleet->as_of_us - p->said.at_us) / (double)US_PER_DAY;
        if (p->scored && is_asked_for(r, p) && days >= forecast_ends[span])
            due.rows[due.count++] = p;
    }
    weigh(r, &due, span, false);
    weigh(r, &due, span, true);
    return due;
}

static bool came(const struct past *p, int span)
{
    return p->row.outcome.fate == FATE_FAULT && p->row.outcome.days <= forecast_ends[span];
}

/* How many rows from 'at' on are of one date. */
static size_t date_run(const struct due *due, size_t at)
{
    size_t n = 1;
    while (at + n < due->count && due->rows[at + n]->said.at_us == due->rows[at]->said.at_us)
        n++;
    return n;
}

/* Pairs and tops are of one date: those of different dates have nothing to do with each other. */
static void score_dates(struct replaying *r, const struct due *due, const struct score_case *cases,
                        int method, int span, struct track_score *out)
{
    struct score_life *lives = arena_array(r->scratch, struct score_life, due->count);
    double hits = 0, taken = 0, won = 0, pairs = 0;

    for (size_t i = 0, n; i < due->count; i += n) {
        n = date_run(due, i);
        double top = fmax(1, round(TRACK_TOP * (double)n));
        hits += top * score_precision(cases + i, n, top, r->scratch);
        taken += top;
        for (size_t k = 0; k < n; k++) {
            const struct past *p = due->rows[i + k];
            lives[k] = (struct score_life){p->row.outcome.days, p->said.p[method][span],
                                           p->row.outcome.fate == FATE_FAULT};
        }
        struct concordance c = score_concordance(lives, n);
        won += c.concordant + c.tied_risk / 2;
        pairs += c.concordant + c.discordant + c.tied_risk;
    }
    out->precision = hits / taken;
    out->concordance = won / pairs;
}

struct track_score track_score(const struct score_case *cases, size_t n, struct arena *mem)
{
    return (struct track_score){
        .brier = score_brier(cases, n, mem),
        .log_score = score_log(cases, n),
        .area = score_area(cases, n, mem),
        .concordance = D_NAN,
        .precision = D_NAN,
    };
}

static struct score_case *cases_of(struct replaying *r, const struct due *due, int method, int span)
{
    struct score_case *cases = arena_array(r->scratch, struct score_case, due->count);
    for (size_t i = 0; i < due->count; i++) {
        const struct past *p = due->rows[i];
        cases[i] = (struct score_case){p->said.p[method][span], due->weights[i], came(p, span), p->row.drive};
    }
    return cases;
}

static void score_horizon(struct replaying *r, int span)
{
    struct track_horizon *h = &r->out->horizons[span];
    arena_reset(r->scratch);
    struct due due = due_rows(r, span);

    h->days = (int)forecast_ends[span];
    h->forecasts = due.count;
    for (size_t i = 0; i < due.count; i++) {
        h->faults += came(due.rows[i], span);
        h->lost += due.weights[i] == 0;
        due.rows[i]->said.weight[span] = due.weights[i];
    }
    if (!due.count)
        return;
    for (int m = 0; m < FORECAST_METHODS; m++) {
        const struct score_case *cases = cases_of(r, &due, m, span);
        h->by[m] = track_score(cases, due.count, r->scratch);
        score_dates(r, &due, cases, m, span, &h->by[m]);
    }
}

/* Least Brier scores over the horizons, against the base rate; the plain sum where nothing is scored. */
static enum forecast_method best_method(const struct track *t)
{
    enum forecast_method best = METHOD_SUM;
    double most = -D_INF;

    for (int m = 0; m < FORECAST_METHODS; m++) {
        double sum = 0;
        int n = 0;
        for (int s = 0; s < FORECAST_SPANS; s++)
            if (t->horizons[s].faults) {
                sum += t->horizons[s].by[m].brier.skill;
                n++;
            }
        if (n && sum > most) {
            most = sum;
            best = (enum forecast_method)m;
        }
    }
    return best;
}

static void set_tenths(struct replaying *r, int span)
{
    struct track_horizon *h = &r->out->horizons[span];
    arena_reset(r->scratch);
    struct due due = due_rows(r, span);
    if (due.count)
        score_tenths(cases_of(r, &due, r->out->calibration.method, span), due.count, r->scratch, h->tenths);
}

/* Drives by their first call of late that is due. */
static void count_calls(struct replaying *r)
{
    enum { SPAN = 1 };
    const struct fleet *f = r->fleet;
    bool *seen = arena_array(r->mem, bool, f->drive_count);

    for (size_t i = 0; i < r->count; i++) {
        const struct past *p = &r->past[i];
        double ago = (double)(f->as_of_us - p->said.at_us) / (double)US_PER_DAY - forecast_ends[SPAN];
        if (!p->scored || !is_asked_for(r, p) || ago < 0 || ago > TRACK_CALL_DAYS || seen[p->row.drive] ||
            p->said.p[r->out->calibration.method][SPAN] < TRACK_CALL)
            continue;
        seen[p->row.drive] = true;
        r->out->called++;
        r->out->called_right += came(p, SPAN);
    }
}

static void count_faults(struct replaying *r)
{
    const struct fleet *f = r->fleet;
    struct calibration *c = &r->out->calibration;
    bool *seen = arena_array(r->mem, bool, f->drive_count);

    for (size_t i = 0; i < r->count; i++) {
        int d = r->past[i].row.drive;
        if (seen[d])
            continue;
        seen[d] = true;
        c->drives++;
        for (size_t k = 0; k < f->drives[d].episode_count; k++)
            c->faults += f->drives[d].episodes[k].began_us > r->past[i].said.at_us;
    }
}

static void list_rows(struct replaying *r)
{
    struct track_row *rows = arena_array(r->mem, struct track_row, r->count);
    size_t n = 0;

    for (size_t i = 0; i < r->count; i++)
        if (r->past[i].scored && is_asked_for(r, &r->past[i]))
            rows[n++] = r->past[i].said;
    r->out->rows = rows;
    r->out->row_count = n;
}

void track_replay(const struct fleet *fleet, struct arena *mem, struct track *out)
{
    struct replaying r = {.fleet = fleet, .mem = mem, .scratch = arena_new(SIZE_MAX), .out = out};

    *out = (struct track){.first_day = DAY_UNKNOWN, .scored_day = DAY_UNKNOWN, .last_day = DAY_UNKNOWN};
    out->calibration.known_us = TIME_UNKNOWN;
    out->calibration.as_of_us = fleet->as_of_us;
    replay_dates(&r);
    go_forward(&r);
    for (int s = 0; s < FORECAST_SPANS; s++)
        score_horizon(&r, s);
    out->calibration.method = best_method(out);
    for (int s = 0; s < FORECAST_SPANS; s++)
        set_tenths(&r, s);
    count_calls(&r);
    count_faults(&r);
    list_rows(&r);
    learn(&r, r.count, fleet->as_of_us, &out->calibration);
    arena_free(r.scratch);
}
