#include "alert.h"

#include "base/log.h"
#include "child.h"
#include "digest.h"
#include "fetch.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { JOBS_A_CHANNEL = 4, LOOK_MS = 2000, FINISH_STEP_MS = 20, WHY_BYTES = 300 };
static const size_t JOB_BYTES = (size_t)1024 * 1024;

enum channel { COMMAND, WEBHOOK, CHANNELS };
static const char *const channel_names[CHANNELS] = {[COMMAND] = "command", [WEBHOOK] = "webhook"};

enum job_state { IDLE, UNDER_WAY, TAKEN, FAILED };

/* One alert that is being handed on. */
struct job {
    enum channel channel;
    enum job_state state;
    struct arena *mem;
    struct outbox_alert alert;
    struct child child; /* of a command */
    char why[WHY_BYTES];
};

struct alerts {
    struct alert_settings settings;
    struct outbox_channels channels;
    bool is_on[CHANNELS];
    struct fetch *fetch; /* NULL without a webhook */
    struct job jobs[CHANNELS * JOBS_A_CHANNEL];
    int64_t look_due_ms;
    int64_t sent, failed;
};

static bool check_settings(const struct alert_settings *s, struct err *err)
{
    if (s->command && (s->command[0] != '/' || access(s->command, X_OK) != 0))
        return err_set(err, ERR_CONFIG, "cannot run '%s': it is to be the full path of a program",
                       s->command);
    if (s->webhook && strncmp(s->webhook, "https://", 8) != 0 && strncmp(s->webhook, "http://", 7) != 0)
        return err_set(err, ERR_CONFIG, "the webhook '%s' is no http or https address", s->webhook);
    return true;
}

static bool open_webhook(struct alerts *a, struct err *err)
{
    struct fetch_limits limits = fetch_usual_limits;
    limits.targets = 1;
    limits.max_bytes = 64 * 1024;
    return fetch_new(&a->fetch, &limits, err);
}

static void put_in_force(struct alerts *a, const struct alert_settings *settings)
{
    a->settings = *settings;
    a->is_on[COMMAND] = settings->command;
    a->is_on[WEBHOOK] = settings->webhook;
    a->channels.count = 0;
    for (int c = 0; c < CHANNELS; c++) {
        if (a->is_on[c])
            a->channels.names[a->channels.count++] = channel_names[c];
    }
}

bool alerts_new(struct alerts **out, const struct alert_settings *settings, struct err *err)
{
    struct alerts *a = calloc(1, sizeof *a);
    if (!a)
        return err_set(err, ERR_SYSTEM, "out of memory");
    *out = a;
    for (int k = 0; k < CHANNELS * JOBS_A_CHANNEL; k++)
        a->jobs[k].channel = (enum channel)(k / JOBS_A_CHANNEL);
    return alerts_change(a, settings, err);
}

bool alerts_change(struct alerts *a, const struct alert_settings *settings, struct err *err)
{
    if (!check_settings(settings, err) || (settings->webhook && !a->fetch && !open_webhook(a, err)))
        return false;
    put_in_force(a, settings);
    return true;
}

void alerts_free(struct alerts *a)
{
    if (!a)
        return;
    for (size_t k = 0; k < sizeof a->jobs / sizeof *a->jobs; k++) {
        struct job *j = &a->jobs[k];
        if (j->state == UNDER_WAY && j->channel == COMMAND)
            child_kill(&j->child);
        arena_free(j->mem);
    }
    fetch_free(a->fetch);
    free(a);
}

const struct outbox_channels *alerts_channels(const struct alerts *a)
{
    return &a->channels;
}

void alerts_wake(struct alerts *a)
{
    a->look_due_ms = 0;
}

bool alerts_busy(const struct alerts *a)
{
    for (size_t k = 0; k < sizeof a->jobs / sizeof *a->jobs; k++) {
        if (a->jobs[k].state != IDLE)
            return true;
    }
    return false;
}

void alerts_counts(const struct alerts *a, int64_t *sent, int64_t *failed)
{
    *sent = a->sent;
    *failed = a->failed;
}

static void end(struct job *j, const char *failure)
{
    j->state = failure ? FAILED : TAKEN;
    snprintf(j->why, sizeof j->why, "%s", failure ? failure : "");
}

static void post(struct alerts *a, struct job *j)
{
    const struct body body = {.bytes = j->alert.body, .size = strlen(j->alert.body)};
    const char *headers[4] = {"Content-Type: application/json",
                              arena_printf(j->mem, "Idempotency-Key: %s", j->alert.id),
                              arena_printf(j->mem, "X-Vaneward-Event: %s", j->alert.event)};
    size_t count = 3;
    if (a->settings.key) {
        char signature[DIGEST_TEXT];
        digest_hmac(a->settings.key, a->settings.key_size, body.bytes, body.size, signature);
        headers[count++] = arena_printf(j->mem, "X-Vaneward-Signature: sha256=%s", signature);
    }
    fetch_post(a->fetch, a->settings.webhook, &body, headers, count, j);
}

static void begin(struct alerts *a, struct job *j)
{
    struct err err = {0};
    j->state = UNDER_WAY;
    if (j->channel == WEBHOOK)
        post(a, j);
    else if (!child_start(&j->child, a->settings.command, j->alert.body, ALERT_COMMAND_S * 1000, &err))
        end(j, err.text);
}

static void look_at_commands(struct alerts *a)
{
    for (size_t k = 0; k < sizeof a->jobs / sizeof *a->jobs; k++) {
        struct job *j = &a->jobs[k];
        char why[WHY_BYTES];
        if (j->channel == COMMAND && j->state == UNDER_WAY && child_ended(&j->child, why, sizeof why))
            end(j, why[0] ? why : NULL);
    }
}

static void look_at_webhook(struct alerts *a)
{
    struct fetched came;
    while (a->fetch && fetch_in_flight(a->fetch) && fetch_wait(a->fetch, 0, &came)) {
        struct job *j = came.tag;
        if (came.error)
            end(j, came.error);
        else if (came.body.status >= 200 && came.body.status < 300)
            end(j, NULL);
        else
            end(j, arena_printf(j->mem, "HTTP status %ld", came.body.status));
    }
}

/* A job whose end cannot be noted now keeps it for the next turn: it is not done a second time. */
static bool note_end(struct job *j, struct db *db, struct err *err)
{
    const char *channel = channel_names[j->channel];
    int64_t now_us = clock_now_us();
    bool given_up = false;
    if (j->state == TAKEN && !outbox_sent(db, &j->alert, channel, now_us, err))
        return false;
    if (j->state == FAILED && !outbox_failed(db, &j->alert, channel, now_us, j->why, &given_up, err))
        return false;
    if (given_up)
        log_error("alert.given_up", "channel=%s alert=%s drive=%s tries=%d why='%s'", channel, j->alert.id,
                  j->alert.drive, j->alert.tries, j->why);
    else if (j->state == FAILED && j->alert.tries == 1)
        log_warn("alert.failed", "channel=%s alert=%s drive=%s why='%s'", channel, j->alert.id,
                 j->alert.drive, j->why);
    else if (j->state == TAKEN)
        log_info("alert.sent", "channel=%s alert=%s drive=%s event=%s tries=%d", channel, j->alert.id,
                 j->alert.drive, j->alert.event, j->alert.tries);
    j->state = IDLE;
    arena_free(j->mem);
    j->mem = NULL;
    return true;
}

static bool note_ends(struct alerts *a, struct db *db, struct err *err)
{
    look_at_commands(a);
    look_at_webhook(a);
    for (size_t k = 0; k < sizeof a->jobs / sizeof *a->jobs; k++) {
        struct job *j = &a->jobs[k];
        if (j->state != TAKEN && j->state != FAILED)
            continue;
        bool is_taken = j->state == TAKEN;
        if (!note_end(j, db, err))
            return err_in(err, "alerts");
        a->sent += is_taken;
        a->failed += !is_taken;
        alerts_wake(a);
    }
    return true;
}

/* Fills the free places of a channel. */
static bool take_up(struct alerts *a, enum channel channel, struct db *db, struct err *err)
{
    for (int k = 0; k < JOBS_A_CHANNEL; k++) {
        struct job *j = &a->jobs[channel * JOBS_A_CHANNEL + k];
        if (j->state != IDLE)
            continue;
        struct arena *mem = arena_new(JOB_BYTES);
        struct outbox_alert *alerts = NULL;
        size_t count = 0;
        if (!outbox_take(db, channel_names[channel], 1, clock_now_us(), mem, &alerts, &count, err) ||
            !count) {
            arena_free(mem);
            return err->kind == ERR_NONE;
        }
        j->mem = mem;
        j->alert = alerts[0];
        begin(a, j);
    }
    return true;
}

bool alerts_turn(struct alerts *a, struct db *db, struct err *err)
{
    if (!a->channels.count)
        return true;
    if (!note_ends(a, db, err))
        return false;
    if (clock_mono_ms() < a->look_due_ms)
        return true;
    a->look_due_ms = clock_mono_ms() + LOOK_MS;
    for (int c = 0; c < CHANNELS; c++) {
        if (a->is_on[c] && !take_up(a, (enum channel)c, db, err))
            return err_in(err, "alerts");
    }
    return true;
}

bool alerts_finish(struct alerts *a, struct db *db, int64_t wait_ms, struct err *err)
{
    int64_t end_ms = clock_mono_ms() + wait_ms;
    while (alerts_busy(a)) {
        if (!note_ends(a, db, err))
            return false;
        if (clock_mono_ms() >= end_ms)
            return true;
        usleep(FINISH_STEP_MS * 1000);
    }
    return true;
}
