#include "health_check.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

enum { OFFSET_LIMIT_S = 60, JOURNAL_LIMIT_HOURS = 3, CERTIFICATE_DAYS = 30, ALERT_LIMIT_MIN = 10 };
enum { LAG_LIMIT = 500000 };           /* millionths of the source's buffer */
#define STATE_LIMIT_US (60 * US_PER_S) /* a collector that lives speaks every 15 s */
#define US_PER_MIN (60 * US_PER_S)

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

static const char *ago(const struct health *h, int64_t us)
{
    return health_duration(h->mem, h->now_us > us ? h->now_us - us : 0);
}

/* What machines and servers say may hold bytes that a terminal would obey. */
static const char *printable(struct arena *mem, const char *text)
{
    char *copy = arena_strdup(mem, text);
    for (char *c = copy; *c; c++) {
        bool is_c1 = (unsigned char)c[0] == 0xc2 && (unsigned char)c[1] >= 0x80 && (unsigned char)c[1] < 0xa0;
        if (is_c1)
            *c++ = '?';
        if (is_c1 || (unsigned char)*c < ' ' || *c == 0x7f)
            *c = '?';
    }
    return copy;
}

static void complain(struct health *h, enum severity severity, const char *about, const char *what,
                     const char *help)
{
    if (h->count == h->capacity) {
        size_t capacity = h->capacity ? h->capacity * 2 : 16;
        h->complaints = arena_grow(h->mem, h->complaints, h->count, capacity, sizeof *h->complaints);
        h->capacity = capacity;
    }
    h->complaints[h->count++] = (struct complaint){severity, about, printable(h->mem, what), help, false};
}

static void complain_of(struct health *h, enum severity severity, const struct source_health *s,
                        const char *what, const char *help)
{
    complain(h, severity, s->source, what, help);
    h->complaints[h->count - 1].is_source = true;
}

/* Sources, one by one. */

static const char *discover(const struct health *h, const struct source_health *s)
{
    return arena_printf(h->mem, "vaneward-collector discover %s", s->url);
}

static const char *look_at_certificate(const struct health *h, const struct source_health *s)
{
    const char *host = strstr(s->url, "://");
    host = host ? host + 3 : s->url;
    int length = (int)strcspn(host, "/?#");
    const char *port = memchr(host, ':', (size_t)length) ? "" : ":443";
    return arena_printf(h->mem, "openssl s_client -connect %.*s%s </dev/null | openssl x509 -noout -text",
                        length, host, port);
}

static void check_failures(struct health *h, const struct source_health *s)
{
    if (s->failures <= 0)
        return;
    const char *why = s->last_error && *s->last_error ? s->last_error : "not known";
    const char *help = strstr(why, "certificate is refused") ? look_at_certificate(h, s)
                       : strstr(why, "credential") ? "ls -l /etc/vaneward/credentials (or --credentials DIR)"
                                                   : discover(h, s);
    complain_of(h, SEVERITY_WRONG, s,
                arena_printf(h->mem, "%" PRId64 " failed polls in a row, the last: %s", s->failures, why),
                help);
}

static void check_late(struct health *h, const struct source_health *s)
{
    int64_t late_us = health_late_us(s, h->now_us, h->clock_stepped_us);
    if (late_us == HEALTH_UNKNOWN && s->failures <= 0)
        complain_of(h, SEVERITY_WRONG, s, "was never read", "vaneward-collector run --once");
    if (late_us > 0)
        complain_of(h, SEVERITY_WRONG, s,
                    arena_printf(h->mem, "last answered %s ago; it is to be asked every %s",
                                 ago(h, s->contact_us), health_duration(h->mem, s->period_s * US_PER_S)),
                    s->failures > 0 ? discover(h, s) : "vaneward-collector run");
}

static void check_lag(struct health *h, const struct source_health *s)
{
    int64_t share = health_lag_share(s);
    if (share > LAG_LIMIT)
        complain_of(h, SEVERITY_LOSING, s,
                    arena_printf(h->mem,
                                 "%" PRId64 " observations are not read yet, %" PRId64
                                 " %% of what it can hold",
                                 health_lag(s), (share + 5000) / 10000),
                    "vaneward-collector run --catch-up");
}

static void check_bindings(struct health *h, const struct source_health *s)
{
    if (s->bindings == 0)
        complain_of(h, SEVERITY_WRONG, s, "none of its items is bound: nothing of it is stored",
                    discover(h, s));
}

static void check_clock(struct health *h, const struct source_health *s)
{
    int64_t offset_s = s->clock_offset_ms == HEALTH_UNKNOWN ? 0 : s->clock_offset_ms / 1000;
    if (offset_s > OFFSET_LIMIT_S || offset_s < -OFFSET_LIMIT_S)
        complain_of(h, SEVERITY_NOTICE, s,
                    arena_printf(h->mem, "its clock is %s %s of ours",
                                 health_duration(h->mem, llabs(offset_s) * US_PER_S),
                                 offset_s > 0 ? "ahead" : "behind"),
                    "timedatectl status (on both machines)");
}

static const char *rows_about(const struct health *h, const char *table, const struct source_health *s)
{
    return arena_printf(h->mem, "psql -c \"SELECT * FROM vaneward.%s WHERE source = '%s'\"", table,
                        s->source);
}

static void check_gaps(struct health *h, const struct source_health *s)
{
    if (s->gaps > 0)
        complain_of(
            h, SEVERITY_LOSING, s,
            arena_printf(h->mem, "%" PRId64 " gap%s in the last 24 hours", s->gaps, s->gaps == 1 ? "" : "s"),
            rows_about(h, "gap", s));
}

static void check_set_aside(struct health *h, const struct source_health *s)
{
    if (s->set_aside > 0)
        complain_of(h, SEVERITY_NOTICE, s,
                    arena_printf(h->mem,
                                 "%" PRId64 " observations set aside in the last 24 hours, such as: %s",
                                 s->set_aside, s->set_aside_why),
                    rows_about(h, "set_aside", s));
}

/* The agent is well; told apart from a source that does not answer, and from fans that stand still. */
static void check_link(struct health *h, const struct source_health *s)
{
    if (!s->link_down || s->failures > 0)
        return;
    complain_of(h, SEVERITY_WRONG, s,
                arena_printf(h->mem, "it is reached, but the machine behind it is not: %s", s->link_down),
                "look at the machine's adapter: is the machine on, is its network plugged in");
}

static void check_certificate(struct health *h, const struct source_health *s)
{
    if (s->certificate_us == TIME_UNKNOWN || s->certificate_us - h->now_us > CERTIFICATE_DAYS * US_PER_DAY)
        return;
    bool is_over = s->certificate_us <= h->now_us;
    const char *what = is_over
                           ? arena_printf(h->mem, "its certificate expired %s ago", ago(h, s->certificate_us))
                           : arena_printf(h->mem, "its certificate expires in %s",
                                          health_duration(h->mem, s->certificate_us - h->now_us));
    complain_of(h, is_over ? SEVERITY_WRONG : SEVERITY_NOTICE, s, what,
                "renew it on the machine that serves the source");
}

static void (*const source_checks[])(struct health *h, const struct source_health *s) = {
    check_failures, check_late,      check_lag,  check_bindings,    check_clock,
    check_gaps,     check_set_aside, check_link, check_certificate,
};

/* Everything else. */

bool health_state_is_fresh(const struct health *h, const struct findings *f)
{
    return f->has_state && h->now_us - f->state.at_us < STATE_LIMIT_US;
}

static void check_database(struct health *h, const struct findings *f)
{
    if (!f->service) {
        complain(h, SEVERITY_LOSING, "database", f->database_error, f->database_help);
        return;
    }
    int64_t offset_us = rows_moment(f->service, 0, SERVICE_NOW) - h->now_us;
    if (llabs(offset_us) > OFFSET_LIMIT_S * US_PER_S)
        complain(h, SEVERITY_NOTICE, "database",
                 arena_printf(h->mem, "its clock is %s %s of ours", health_duration(h->mem, llabs(offset_us)),
                              offset_us > 0 ? "ahead" : "behind"),
                 "timedatectl status (on both machines)");
}

static void check_primary(struct health *h, const struct findings *f)
{
    const struct state *s = &f->state;
    if (f->has_state && s->primary_refused && h->now_us - s->primary_refused_us < US_PER_DAY)
        complain(h, SEVERITY_WRONG, "database",
                 arena_printf(h->mem, "a server was refused %s ago: %s", ago(h, s->primary_refused_us),
                              s->primary_refused),
                 "take that server away, before somebody writes to it");
}

static const char RESTART[] = "systemctl restart vaneward-collector (or vaneward-collector run)";

/* The database hears of collectors that can use it; the state on disk is of one on this machine. */
static void check_collector(struct health *h, const struct findings *f)
{
    if (health_state_is_fresh(h, f)) {
        if (f->state.database_away)
            complain(h, SEVERITY_WRONG, "collector",
                     arena_printf(h->mem, "%s cannot use the database: %s", f->state.collector,
                                  f->state.database_away),
                     "pg_isready, and --db or the PG* environment of the collector");
        return;
    }
    const char *lost = f->service ? rows_text(f->service, 0, SERVICE_LOST) : NULL;
    int64_t seen_us = f->service ? rows_moment(f->service, 0, SERVICE_LOST_SEEN) : TIME_UNKNOWN;
    if (!f->service && f->has_state) {
        lost = f->state.collector;
        seen_us = f->state.at_us;
    }
    if (lost && !(f->service && rows_int(f->service, 0, SERVICE_RUNNING)))
        complain(h, SEVERITY_LOSING, "collector",
                 arena_printf(h->mem,
                              "none runs; %s was last heard of %s ago and did not end as it was asked to",
                              lost, ago(h, seen_us)),
                 RESTART);
}

static void check_alerts(struct health *h, const struct findings *f)
{
    if (!f->service)
        return;
    int64_t waiting = rows_int(f->service, 0, SERVICE_ALERTS),
            given_up = rows_int(f->service, 0, SERVICE_ALERTS_GIVEN_UP),
            oldest_us = rows_moment(f->service, 0, SERVICE_ALERTS_OLDEST);
    const char *error = rows_text(f->service, 0, SERVICE_ALERTS_ERROR);
    const char *help = "psql -c \"SELECT * FROM vaneward.alert_outbox WHERE sent_at IS NULL\"";
    if (waiting && h->now_us - oldest_us > ALERT_LIMIT_MIN * US_PER_MIN)
        complain(h, SEVERITY_WRONG, "alerts",
                 arena_printf(h->mem, "%" PRId64 " wait to be handed on, for up to %s: %s", waiting,
                              ago(h, oldest_us), error ? error : "no collector hands them on"),
                 help);
    if (given_up)
        complain(h, SEVERITY_LOSING, "alerts",
                 arena_printf(h->mem, "%" PRId64 " were given up in the last 24 hours", given_up), help);
}

static void check_journal(struct health *h, const struct findings *f)
{
    int64_t oldest_us = f->journal ? rows_moment(f->journal, 0, JOURNAL_OLDEST) : TIME_UNKNOWN;
    if (oldest_us != TIME_UNKNOWN && h->now_us - oldest_us > JOURNAL_LIMIT_HOURS * US_PER_HOUR)
        complain(h, SEVERITY_WRONG, "database",
                 arena_printf(h->mem, "readings wait in the journal for %s: nobody seals", ago(h, oldest_us)),
                 "vaneward-collector run");
}

static void check_spool(struct health *h, const struct findings *f)
{
    if (f->spool_error)
        complain(h, SEVERITY_WRONG, "spool", f->spool_error, arena_printf(h->mem, "ls -ld '%s'", f->spool));
    else if (f->spool && f->spool_oldest_us != TIME_UNKNOWN)
        complain(h, SEVERITY_WRONG, "spool",
                 arena_printf(h->mem, "%" PRIu64 " bytes in '%s', of %s ago at most, wait for the database",
                              f->spool_bytes, f->spool, ago(h, f->spool_oldest_us)),
                 "pg_isready, then vaneward-collector run");
}

static void check_spool_disk(struct health *h, const struct findings *f)
{
    const struct spool_disk *disk = &f->spool_disk;
    if (!f->has_spool_disk)
        return;
    if (disk->is_read_only)
        complain(h, SEVERITY_WRONG, "spool",
                 "its disk is read-only: while the database is away nothing is read",
                 arena_printf(h->mem, "findmnt -T '%s', dmesg", f->spool));
    if (disk->level != DISK_WELL)
        complain(h, disk->level == DISK_SHORT ? SEVERITY_WRONG : SEVERITY_NOTICE, "spool",
                 arena_printf(h->mem, "%.0f %% of its disk is free%s", 100 * disk->free,
                              disk->level == DISK_SHORT
                                  ? ": while the database is away plain readings are not kept"
                                  : ""),
                 arena_printf(h->mem, "df -h '%s'", f->spool));
}

static void check_spool_losses(struct health *h, const struct findings *f)
{
    if (!f->has_state)
        return;
    if (f->state.spool_dropped)
        complain(h, SEVERITY_LOSING, "spool",
                 arena_printf(h->mem,
                              "was full: the readings of %" PRId64 " batches went since the collector began",
                              f->state.spool_dropped),
                 "bring the database back (pg_isready); for more room run --spool-max-mb N, df -h");
    if (f->state.spool_damaged)
        complain(h, SEVERITY_LOSING, "spool",
                 arena_printf(h->mem, "%" PRId64 " records in it could not be read", f->state.spool_damaged),
                 "journalctl -u vaneward-collector, and check the disk");
}

static void (*const checks[])(struct health *h, const struct findings *f) = {
    check_database, check_primary, check_collector,  check_alerts,
    check_journal,  check_spool,   check_spool_disk, check_spool_losses,
};

/* Stable: complaints of one severity stay as they were found. */
static void sort(struct health *h)
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

void health_check(struct health *h, const struct findings *f)
{
    h->clock_stepped_us = f->service     ? rows_moment(f->service, 0, SERVICE_CLOCK_STEPPED)
                          : f->has_state ? f->state.clock_stepped_us
                                         : TIME_UNKNOWN;
    for (size_t k = 0; k < sizeof checks / sizeof *checks; k++)
        checks[k](h, f);
    for (size_t n = 0; n < f->source_count; n++) {
        for (size_t k = 0; k < sizeof source_checks / sizeof *source_checks; k++)
            source_checks[k](h, &f->sources[n]);
    }
    sort(h);
}
