#include "track_issued.h"

#include <math.h>
#include <string.h>

static bool asked_for(const struct fleet *f, const struct drive *d)
{
    return !f->only_site || strcmp(d->machine->site->site, f->only_site) == 0;
}

/* Lost ones are left out: there are too few issued forecasts to weight for them. */
static void score_all(const struct fleet *f, const struct issued *issued, size_t count, struct arena *mem,
                      struct issued_record *out)
{
    struct score_case *cases = arena_array(mem, struct score_case, count);
    size_t n = 0;

    for (size_t i = 0; i < count; i++) {
        const struct issued *x = &issued[i];
        if (!asked_for(f, x->drive) || replay_in_fault(x->drive, x->issued_us))
            continue;
        struct replay_outcome o = replay_outcome(x->drive, x->issued_us, f->as_of_us);
        bool fault = o.fate == FATE_FAULT && o.days <= x->horizon_days;
        bool lost = o.fate == FATE_CHANGED && o.days < x->horizon_days;
        out->forecasts++;
        out->faults += fault;
        out->lost += lost;
        if (!lost)
            cases[n++] = (struct score_case){x->probability, 1, fault, (int)(x->drive - f->drives)};
    }
    if (!n)
        return;
    out->score = track_score(cases, n, mem);
    score_tenths(cases, n, mem, out->tenths);
}

/* Each drive by its first urgent call. */
static void count_calls(const struct fleet *f, const struct issued *issued, size_t count, struct arena *mem,
                        struct issued_record *out)
{
    bool *seen = arena_array(mem, bool, f->drive_count);

    for (size_t i = 0; i < count; i++) {
        const struct issued *x = &issued[i];
        size_t d = (size_t)(x->drive - f->drives);
        if (!x->urgent || seen[d] || !asked_for(f, x->drive) || replay_in_fault(x->drive, x->issued_us) ||
            x->issued_us < f->as_of_us - (x->horizon_days + TRACK_CALL_DAYS) * US_PER_DAY)
            continue;
        struct replay_outcome o = replay_outcome(x->drive, x->issued_us, f->as_of_us);
        seen[d] = true;
        out->called++;
        out->called_right += o.fate == FATE_FAULT && o.days <= x->horizon_days;
    }
}

void track_issued(const struct fleet *fleet, const struct issued *issued, size_t count, struct arena *mem,
                  struct issued_record *out)
{
    *out = (struct issued_record){0};
    score_all(fleet, issued, count, mem, out);
    count_calls(fleet, issued, count, mem, out);
}

static const char *drives(struct arena *mem, int n)
{
    return arena_printf(mem, "%d drive%s", n, n == 1 ? "" : "s");
}

const char *track_line(struct arena *mem, const struct track *t, const struct issued_record *issued)
{
    if (issued && issued->forecasts)
        return arena_printf(
            mem,
            "Of %s called \"Do now\" or \"This week\" in the last %d days (forecasts that are due), %d "
            "reported a fault within the days that were looked ahead.",
            drives(mem, issued->called), TRACK_CALL_DAYS, issued->called_right);
    if (t && t->scored_dates)
        return arena_printf(
            mem,
            "No forecast of a pack is due yet. Replayed over the past: of %s given %.0f %% or more "
            "within 30 days in the last %d days (due by now), %d reported a fault in time.",
            drives(mem, t->called), 100 * TRACK_CALL, TRACK_CALL_DAYS, t->called_right);
    return "No forecast of a pack is due yet, and the past has not been replayed: vaneward-reporter "
           "track-record "
           "--calibrate does so.";
}

const char *track_method_line(struct arena *mem, const struct track *t)
{
    char day[DAY_TEXT];
    if (!t)
        return "Probabilities: witnesses added as if independent; nothing has been learned from the fleet's "
               "own past "
               "yet (track-record --calibrate).";
    day_format(day_of(t->calibration.as_of_us), day);
    const struct track_horizon *h = &t->horizons[1];
    if (!h->forecasts)
        return arena_printf(
            mem,
            "Probabilities: witnesses added as if independent; the past up to %s is too short to "
            "score a replay.",
            day);
    return arena_printf(
        mem,
        "Probabilities: %s, the best of %d methods in a replay of the past up to %s (%d faults of %d "
        "drives); Brier skill over %d days %.2f.",
        forecast_method_word(t->calibration.method), (int)FORECAST_METHODS, day, t->calibration.faults,
        t->calibration.drives, h->days, h->by[t->calibration.method].brier.skill);
}
