#include "health_check.h"

#include <inttypes.h>
#include <stdlib.h>

/* A source is late when it has been silent for so many periods and so many seconds more. */
enum { LATE_PERIODS = 3, LATE_S = 60, OFFSET_LIMIT_S = 60, JOURNAL_LIMIT_HOURS = 3, CERTIFICATE_DAYS = 30 };
#define LAG_LIMIT 0.5
#define ALERT_LIMIT_US (10 * 60 * US_PER_S)

const char *const severity_words[SEVERITIES] = {
    [SEVERITY_LOSING] = "losing", [SEVERITY_WRONG] = "wrong", [SEVERITY_NOTICE] = "notice"};

const char *health_duration(struct arena *mem, int64_t us)
{
    int64_t s = us / US_PER_S;
    if (s < 120)
        return arena_printf(mem, "%" PRId64 " s", s);
    if (s < 2 * 3600)
        return arena_printf(mem, "%" PRId64 " min", s / 60);
    return s < 2 * 86400 ? arena_printf(mem, "%" PRId64 " h", s / 3600)
                         : arena_printf(mem, "%" PRId64 " days", s / 86400);
}

int64_t health_lag(const struct rows *r, size_t row)
{
    if (rows_null(r, row, SOURCE_LAST))
        return 0;
    int64_t lag = rows_int(r, row, SOURCE_LAST) - rows_int(r, row, SOURCE_NEXT) + 1;
    return lag > 0 ? lag : 0;
}

double health_lag_share(const struct rows *r, size_t row)
{
    int64_t buffer = rows_int(r, row, SOURCE_BUFFER);
    return buffer > 0 ? (double)health_lag(r, row) / (double)buffer : 0;
}

int64_t health_late_us(const struct health *h, const struct rows *r, size_t row)
{
    int64_t since = rows_moment(r, row, SOURCE_CONTACT);
    if (since == TIME_UNKNOWN)
        return TIME_UNKNOWN;
    if (h->clock_stepped_us != TIME_UNKNOWN && h->clock_stepped_us <= h->now_us &&
        h->clock_stepped_us > since)
        since = h->clock_stepped_us;
    int64_t late = h->now_us - since - (LATE_PERIODS * rows_int(r, row, SOURCE_PERIOD) + LATE_S) * US_PER_S;
    return late > 0 ? late : 0;
}

void health_complain(struct health *h, enum severity severity, const char *about, const char *what,
                     const char *help)
{
    if (h->count == h->capacity) {
        size_t capacity = h->capacity ? h->capacity * 2 : 16;
        h->complaints = arena_grow(h->mem, h->complaints, h->count, capacity, sizeof *h->complaints);
        h->capacity = capacity;
    }
    h->complaints[h->count++] = (struct complaint){severity, arena_strdup(h->mem, about), what, help, false};
}

static void complain_of(struct health *h, enum severity severity, const struct rows *r, size_t row,
                        const char *what, const char *help)
{
    health_complain(h, severity, rows_text(r, row, SOURCE_NAME), what, help);
    h->complaints[h->count - 1].is_source = true;
}

static void check_contact(struct health *h, const struct rows *r, size_t row)
{
    const char *error = rows_text(r, row, SOURCE_LAST_ERROR);
    const char *look = arena_printf(h->mem, "vaneward-collector discover %s", rows_text(r, row, SOURCE_URL));
    int64_t failures = rows_int(r, row, SOURCE_FAILURES), late = health_late_us(h, r, row);
    if (failures)
        complain_of(h, SEVERITY_WRONG, r, row,
                    arena_printf(h->mem, "%" PRId64 " failed polls in a row, the last: %s", failures,
                                 error ? error : "not known"),
                    look);
    if (late == TIME_UNKNOWN && !failures)
        complain_of(h, SEVERITY_WRONG, r, row, "was never read", "vaneward-collector run --once");
    if (late > 0)
        complain_of(h, SEVERITY_WRONG, r, row,
                    arena_printf(h->mem, "last answered %s ago; it is to be asked every %s",
                                 health_duration(h->mem, h->now_us - rows_moment(r, row, SOURCE_CONTACT)),
                                 health_duration(h->mem, rows_int(r, row, SOURCE_PERIOD) * US_PER_S)),
                    failures ? look : "vaneward-collector run");
}

static void check_reading(struct health *h, const struct rows *r, size_t row)
{
    int64_t offset_s = rows_int(r, row, SOURCE_OFFSET) / 1000;
    if (health_lag_share(r, row) > LAG_LIMIT)
        complain_of(h, SEVERITY_LOSING, r, row,
                    arena_printf(h->mem,
                                 "%" PRId64 " observations are not read yet, %.0f %% of what it can hold",
                                 health_lag(r, row), 100 * health_lag_share(r, row)),
                    "vaneward-collector run --catch-up");
    if (rows_int(r, row, SOURCE_BINDINGS) == 0)
        complain_of(h, SEVERITY_WRONG, r, row, "none of its items is bound: nothing of it is stored",
                    arena_printf(h->mem, "vaneward-collector discover %s", rows_text(r, row, SOURCE_URL)));
    if (offset_s > OFFSET_LIMIT_S || offset_s < -OFFSET_LIMIT_S)
        complain_of(h, SEVERITY_NOTICE, r, row,
                    arena_printf(h->mem, "its clock is %s %s of ours",
                                 health_duration(h->mem, llabs(offset_s) * US_PER_S),
                                 offset_s > 0 ? "ahead" : "behind"),
                    "timedatectl status (on both machines)");
}

static void check_losses(struct health *h, const struct rows *r, size_t row)
{
    const char *source = rows_text(r, row, SOURCE_NAME), *why = rows_text(r, row, SOURCE_SET_ASIDE_WHY);
    int64_t gaps = rows_int(r, row, SOURCE_GAPS), aside = rows_int(r, row, SOURCE_SET_ASIDE);
    if (gaps)
        complain_of(
            h, SEVERITY_LOSING, r, row, arena_printf(h->mem, "%" PRId64 " gaps in the last 24 hours", gaps),
            arena_printf(h->mem, "psql -c \"SELECT * FROM vaneward.gap WHERE source = '%s'\"", source));
    if (aside)
        complain_of(
            h, SEVERITY_NOTICE, r, row,
            arena_printf(h->mem, "%" PRId64 " observations set aside in the last 24 hours, such as: %s",
                         aside, why),
            arena_printf(h->mem, "psql -c \"SELECT * FROM vaneward.set_aside WHERE source = '%s'\"", source));
}

static void check_certificate(struct health *h, const struct rows *r, size_t row)
{
    int64_t ends = rows_moment(r, row, SOURCE_CERTIFICATE);
    if (ends == TIME_UNKNOWN || ends - h->now_us > CERTIFICATE_DAYS * US_PER_DAY)
        return;
    const char *help = "renew it on the machine that serves the source";
    if (ends <= h->now_us)
        complain_of(
            h, SEVERITY_WRONG, r, row,
            arena_printf(h->mem, "its certificate expired %s ago", health_duration(h->mem, h->now_us - ends)),
            help);
    else
        complain_of(
            h, SEVERITY_NOTICE, r, row,
            arena_printf(h->mem, "its certificate expires in %s", health_duration(h->mem, ends - h->now_us)),
            help);
}

void health_check_source(struct health *h, const struct rows *sources, size_t row)
{
    check_contact(h, sources, row);
    check_reading(h, sources, row);
    check_losses(h, sources, row);
    check_certificate(h, sources, row);
}

static void check_alerts(struct health *h, const struct rows *r)
{
    int64_t waiting = rows_int(r, 0, SERVICE_ALERTS), given_up = rows_int(r, 0, SERVICE_ALERTS_GIVEN_UP);
    int64_t oldest = rows_moment(r, 0, SERVICE_ALERTS_OLDEST);
    const char *error = rows_text(r, 0, SERVICE_ALERTS_ERROR);
    const char *help = "psql -c \"SELECT * FROM vaneward.alert_outbox WHERE sent_at IS NULL\"";
    if (waiting && h->now_us - oldest > ALERT_LIMIT_US)
        health_complain(h, SEVERITY_WRONG, "alerts",
                        arena_printf(h->mem, "%" PRId64 " wait to be handed on, for up to %s: %s", waiting,
                                     health_duration(h->mem, h->now_us - oldest),
                                     error ? error : "no collector hands them on"),
                        help);
    if (given_up)
        health_complain(h, SEVERITY_LOSING, "alerts",
                        arena_printf(h->mem, "%" PRId64 " were given up in the last 24 hours", given_up),
                        help);
}

void health_check_service(struct health *h, const struct rows *service)
{
    const char *lost = rows_text(service, 0, SERVICE_LOST);
    h->clock_stepped_us = rows_moment(service, 0, SERVICE_CLOCK_STEPPED);
    if (lost && !rows_int(service, 0, SERVICE_RUNNING))
        health_complain(
            h, SEVERITY_LOSING, "collector",
            arena_printf(h->mem, "none runs; %s was last heard of %s ago and did not end as it was asked to",
                         lost,
                         health_duration(h->mem, h->now_us - rows_moment(service, 0, SERVICE_LOST_SEEN))),
            "systemctl restart vaneward-collector (or vaneward-collector run)");
    check_alerts(h, service);
}

void health_check_journal(struct health *h, const struct rows *journal)
{
    int64_t oldest = rows_moment(journal, 0, JOURNAL_OLDEST);
    if (oldest != TIME_UNKNOWN && h->now_us - oldest > JOURNAL_LIMIT_HOURS * US_PER_HOUR)
        health_complain(h, SEVERITY_WRONG, "database",
                        arena_printf(h->mem, "readings wait in the journal for %s: nobody seals",
                                     health_duration(h->mem, h->now_us - oldest)),
                        "vaneward-collector run");
}

void health_check_spool(struct health *h, const char *folder, uint64_t bytes, int64_t oldest_us)
{
    if (oldest_us == TIME_UNKNOWN)
        return;
    health_complain(h, SEVERITY_WRONG, "spool",
                    arena_printf(h->mem,
                                 "%" PRIu64 " bytes in '%s', of %s ago at most, wait for the database", bytes,
                                 folder, health_duration(h->mem, h->now_us - oldest_us)),
                    "pg_isready, then vaneward-collector run");
}

/* Stable: complaints of one severity stay as they were found. */
void health_sort(struct health *h)
{
    struct complaint *sorted = arena_array(h->mem, struct complaint, h->count);
    size_t n = 0;
    for (int severity = 0; severity < SEVERITIES; severity++) {
        for (size_t k = 0; k < h->count; k++) {
            if (h->complaints[k].severity == (enum severity)severity)
                sorted[n++] = h->complaints[k];
        }
    }
    h->complaints = sorted;
    h->capacity = h->count;
}
