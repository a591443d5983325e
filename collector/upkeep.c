#include "upkeep.h"

#include "base/clock.h"
#include "base/log.h"
#include "fold.h"
#include "seal.h"

#include <inttypes.h>

enum { FOLD_MS = 500, SEAL_READINGS = 2 * 1000 * 1000 };

bool upkeep_fold_is_due(const struct upkeep *u)
{
    return clock_mono_ms() >= u->fold_due_ms;
}

bool upkeep_fold(struct upkeep *u, struct db *db, const struct outbox_channels *alerts, struct err *err)
{
    int64_t drives;
    u->fold_due_ms = clock_mono_ms() + FOLD_MS;
    if (!fold_new(db, alerts, &drives, err))
        return err_in(err, "episodes");
    if (drives)
        log_debug("fold.done", "drives=%" PRId64, drives);
    return true;
}

int64_t upkeep_seal_due(int64_t now_us)
{
    int64_t hour_us = now_us - now_us % US_PER_HOUR;
    return hour_us + SEAL_GRACE_US + (now_us - hour_us < SEAL_GRACE_US ? 0 : US_PER_HOUR);
}

static void add_report(struct seal_report *sum, const struct seal_report *step)
{
    sum->steps += step->steps;
    sum->readings += step->readings;
    sum->fan_days += step->fan_days;
    sum->was_busy |= step->was_busy;
    sum->was_held |= step->was_held;
}

/* What the database refuses keeps no source from being read: it stays where it lies until the next hour. */
static bool put_off(struct err *err)
{
    err_in(err, "sealing");
    if (err->kind != ERR_INPUT && err->kind != ERR_REJECTED)
        return false;
    log_error("seal.failed", "why='%s'", err->text);
    err_clear(err);
    return true;
}

bool upkeep_seal(struct db *db, const struct seal_keep *keep, void (*alive)(void *context), void *context,
                 bool *again, struct err *err)
{
    struct seal_report sum = {0};
    int64_t now_us = clock_now_us(), began_ms = clock_mono_ms(), dropped;
    for (bool more = true; more;) {
        struct seal_report step = {.was_held = sum.was_held};
        if (!seal_step(db, now_us, SEAL_READINGS, &step, &more, err))
            return put_off(err);
        add_report(&sum, &step);
        alive(context);
    }
    if (sum.steps)
        log_info("seal.done", "readings=%" PRId64 " fan_days=%" PRId64 " ms=%" PRId64, sum.readings,
                 sum.fan_days, clock_mono_ms() - began_ms);
    *again = sum.was_busy || sum.was_held;
    return *again || seal_retain(db, now_us, keep, &dropped, err) || put_off(err);
}
