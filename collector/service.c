#include "service.h"

#include "base/log.h"
#include "clock_watch.h"
#include "credentials.h"
#include "notify.h"
#include "queries.h"
#include "settings.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { SEEN_MS = 15 * 1000, STATUS_MS = 5 * 1000, BUSY_TURN_MS = 20, NAME_BYTES = 300 };
#define FORGET_EVERY_MS INT64_C(3600000)

struct service {
    struct service_settings settings;
    struct notify notify;
    struct alerts *alerts;
    struct credential_key key;
    struct clock_watch clock;
    struct self_report *report;
    char name[NAME_BYTES];                             /* host and process */
    int64_t started_us, clock_stepped_us;              /* stepped TIME_UNKNOWN: never */
    char database_away[sizeof((struct err *)0)->text]; /* why; "": it can be used */
    int64_t seen_due_ms, status_due_ms, forget_due_ms;
    bool is_ready, is_seen, has_told_refusal;
};

static void name_ourselves(struct service *s)
{
    char host[256] = "";
    if (gethostname(host, sizeof host - 1) != 0 || !host[0])
        snprintf(host, sizeof host, "unknown");
    snprintf(s->name, sizeof s->name, "%s:%ld", host, (long)getpid());
}

/* What the settings say about alerts; a key is read into 'key'. */
static bool alert_settings_of(const struct service_settings *wanted, struct credential_key *key,
                              struct alert_settings *alerts, struct err *err)
{
    *alerts = (struct alert_settings){.command = wanted->on_episode, .webhook = wanted->webhook};
    if (!wanted->webhook_key)
        return true;
    if (!credential_key(wanted->webhook_key, settings.credentials, key, err))
        return false;
    alerts->key = key->bytes;
    alerts->key_size = key->size;
    return true;
}

bool service_new(struct service **out, const struct service_settings *wanted, struct err *err)
{
    struct service *s = calloc(1, sizeof *s);
    if (!s)
        return err_set(err, ERR_SYSTEM, "out of memory");
    *out = s;
    s->settings = *wanted;
    s->clock_stepped_us = TIME_UNKNOWN;
    s->started_us = clock_now_us();
    name_ourselves(s);
    notify_open(&s->notify);
    struct alert_settings alerts;
    return alert_settings_of(wanted, &s->key, &alerts, err) && alerts_new(&s->alerts, &alerts, err) &&
           self_report_new(&s->report, &wanted->report, err);
}

/* To the settings of before. */
static void go_back(struct service *s)
{
    struct err err = {0};
    if (!self_report_change(s->report, &s->settings.report, &err))
        log_error("metrics.failed", "why='%s'", err.text);
}

bool service_change(struct service *s, const struct service_settings *wanted, struct err *err)
{
    struct credential_key key = {0};
    struct alert_settings alerts;
    bool ok =
        alert_settings_of(wanted, &key, &alerts, err) && self_report_change(s->report, &wanted->report, err);
    if (ok) {
        if (alerts.key)
            alerts.key = s->key.bytes;
        ok = alerts_change(s->alerts, &alerts, err);
    }
    if (ok) {
        s->key = key;
        s->settings = *wanted;
    } else {
        go_back(s);
    }
    explicit_bzero(&key, sizeof key);
    return ok;
}

void service_free(struct service *s)
{
    if (!s)
        return;
    alerts_free(s->alerts);
    self_report_free(s->report);
    notify_close(&s->notify);
    explicit_bzero(&s->key, sizeof s->key);
    free(s);
}

const struct outbox_channels *service_channels(const struct service *s)
{
    return alerts_channels(s->alerts);
}

void service_wake(struct service *s)
{
    alerts_wake(s->alerts);
}

void service_ready(struct service *s)
{
    if (!s->is_ready)
        notify_tell(&s->notify, "READY=1");
    s->is_ready = true;
}

void service_reloading(struct service *s)
{
    notify_tell(&s->notify, "RELOADING=1\nMONOTONIC_USEC=%" PRId64, clock_mono_ms() * 1000);
}

void service_reloaded(struct service *s)
{
    notify_tell(&s->notify, "READY=1");
}

void service_stopping(struct service *s, int64_t within_ms)
{
    notify_tell(&s->notify, "STOPPING=1\nSTATUS=storing what was read\nEXTEND_TIMEOUT_USEC=%" PRId64,
                within_ms * 1000);
}

static void look_at_clock(struct service *s)
{
    int64_t now_us = clock_now_us(), step_ms = clock_watch_step(&s->clock, now_us, clock_mono_ms());
    if (!step_ms)
        return;
    s->clock_stepped_us = now_us;
    s->seen_due_ms = 0;
    log_warn("clock.stepped", "by_ms=%" PRId64 " what='our own clock was set %s; nothing stored is changed'",
             step_ms, step_ms > 0 ? "forward" : "back");
}

void service_keep_state(struct service *s, const char *dir)
{
    self_report_keep_state(s->report, dir);
}

void service_database_away(struct service *s, const char *why)
{
    if (!s->database_away[0])
        self_report_hurry(s->report);
    snprintf(s->database_away, sizeof s->database_away, "%s", why);
}

static void tell_status(struct service *s, const struct reader *reader)
{
    const struct roster *roster = reader_roster(reader);
    notify_tell(&s->notify,
                "STATUS=%zu sources, %zu of them failing; %" PRId64 " readings stored; database %s",
                roster->count, roster_count_failing(roster), reader_totals(reader)->readings,
                s->database_away[0] ? "away" : "up");
}

void service_alive(struct service *s, const struct reader *reader, const struct spool *spool,
                   const struct connection *connection)
{
    int64_t now_ms = clock_mono_ms();
    notify_alive(&s->notify, now_ms);
    look_at_clock(s);
    if (connection->db)
        s->database_away[0] = '\0';
    if (connection->primary.refusals && !s->has_told_refusal) {
        s->has_told_refusal = true;
        self_report_hurry(s->report);
    }
    if (now_ms >= s->status_due_ms) {
        s->status_due_ms = now_ms + STATUS_MS;
        tell_status(s, reader);
    }
    struct self_view view = {.reader = reader,
                             .spool = spool,
                             .collector = s->name,
                             .database_away = s->database_away[0] ? s->database_away : NULL,
                             .primary = &connection->primary,
                             .started_us = s->started_us,
                             .clock_stepped_us = s->clock_stepped_us};
    alerts_counts(s->alerts, &view.alerts_sent, &view.alerts_failed);
    self_report_turn(s->report, &view);
}

int64_t service_turn_ms(const struct service *s, int64_t usual_ms)
{
    bool is_busy = alerts_busy(s->alerts) || self_report_busy(s->report);
    return is_busy && usual_ms > BUSY_TURN_MS ? BUSY_TURN_MS : usual_ms;
}

static bool be_seen(struct service *s, struct db *db, struct err *err)
{
    const struct db_value params[] = {db_text(s->name), db_text(VANEWARD_VERSION), db_moment(s->started_us),
                                      db_moment(clock_now_us()), db_moment(s->clock_stepped_us)};
    s->seen_due_ms = clock_mono_ms() + SEEN_MS;
    s->is_seen = true;
    return db_exec(db, &q_collector_seen, params, 5, NULL, err);
}

bool service_turn(struct service *s, struct db *db, struct err *err)
{
    int64_t now_ms = clock_mono_ms();
    if (now_ms >= s->seen_due_ms && !be_seen(s, db, err))
        return false;
    if (now_ms >= s->forget_due_ms) {
        s->forget_due_ms = now_ms + FORGET_EVERY_MS;
        if (!outbox_forget(db, clock_now_us(), err))
            return false;
    }
    return alerts_turn(s->alerts, db, err);
}

bool service_finish(struct service *s, struct db *db, int64_t wait_ms, struct err *err)
{
    const struct db_value name = db_text(s->name);
    return alerts_finish(s->alerts, db, wait_ms, err) &&
           (!s->is_seen || db_exec(db, &q_collector_ended, &name, 1, NULL, err));
}
