#include "upkeep.h"

#include "base/clock.h"
#include "base/log.h"
#include "fold.h"
#include "seal.h"

#include <inttypes.h>

enum { FOLD_MS = 500, SEAL_READINGS = 2 * 1000 * 1000 };
#define HELD_US (60 * US_PER_S) /* the journal is tried again after so long */

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

bool upkeep_seal_is_due(const struct upkeep *u)
{
    return clock_now_us() >= u->seal_due_us;
}

static void add_report(struct seal_report *sum, const struct seal_report *step)
{
    sum->steps += step->steps;
    sum->readings += step->readings;
    sum->fan_days += step->fan_days;
    sum->was_busy |= step->was_busy;
    sum->was_held |= step->was_held;
}

/*
 * Blocks that cannot be unpacked or that the database refuses do not keep the sources from being
 * read: they stay where they lie, and are tried again an hour later.
 */
static bool put_off(struct err *err)
{
    err_in(err, "sealing");
    if (err->kind != ERR_INPUT && err->kind != ERR_REJECTED)
        return false;
    log_error("seal.failed", "why='%s'", err->text);
    err_clear(err);
    return true;
}

bool upkeep_seal(struct upkeep *u, struct db *db, void (*alive)(void *context), void *context,
                 struct err *err)
{
    struct seal_report sum = {0};
    int64_t now_us = clock_now_us(), began_ms = clock_mono_ms();
    int64_t hour_us = now_us - now_us % US_PER_HOUR;
    u->seal_due_us = hour_us + SEAL_GRACE_US + (now_us - hour_us < SEAL_GRACE_US ? 0 : US_PER_HOUR);
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
    if (sum.was_held)
        u->seal_due_us = now_us + HELD_US;
    int64_t dropped;
    return sum.was_busy || sum.was_held || seal_retain(db, now_us, &u->keep, &dropped, err) || put_off(err);
}
