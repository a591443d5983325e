/*
 * Hands alerts to a command and to a webhook, beside the collecting and without ever holding it up.
 *
 * The command is one program, run without a shell or arguments, with the alert as JSON on standard input and
 * a small environment; status 0 within ALERT_COMMAND_S means that it has taken it. The webhook gets the JSON
 * by POST with Idempotency-Key (the alert's identity, the same at each try), X-Vaneward-Event and, where
 * there is a key, X-Vaneward-Signature: sha256=HMAC-SHA-256 of the body; a status from 200 to 299 means
 * taken. What was not taken is tried again, at growing intervals. After a crash between the other side's
 * answer and our note of it, an alert comes a second time with the same identity.
 */
#ifndef COLLECTOR_ALERT_H
#define COLLECTOR_ALERT_H

#include "outbox.h"

enum { ALERT_COMMAND_S = 10 };

struct alert_settings {
    const char *command; /* NULL: none */
    const char *webhook; /* NULL: none */
    const void *key;     /* of the signature; NULL: not signed */
    size_t key_size;
};

struct alerts;

/* ERR_CONFIG for a command that cannot be run or an address that is none. The settings must stay. */
MUST_USE bool alerts_new(struct alerts **alerts, const struct alert_settings *settings, struct err *err);
void alerts_free(struct alerts *a); /* NULL is fine; running commands are killed */

/* Takes other settings; what is under way goes on. After a failure the old ones are in force. */
MUST_USE bool alerts_change(struct alerts *a, const struct alert_settings *settings, struct err *err);

const struct outbox_channels *alerts_channels(const struct alerts *a);
/* New alerts may have been written. */
void alerts_wake(struct alerts *a);
/* Something is under way: call alerts_turn soon. */
bool alerts_busy(const struct alerts *a);
/* Alerts taken, and tries that failed, since the start. */
void alerts_counts(const struct alerts *a, int64_t *sent, int64_t *failed);
/* Takes up what is due and notes what has ended; never waits. False: the database cannot be used now. */
MUST_USE bool alerts_turn(struct alerts *a, struct db *db, struct err *err);
/* Begins nothing new; waits for what is under way, at most so long, and notes its end. */
MUST_USE bool alerts_finish(struct alerts *a, struct db *db, int64_t wait_ms, struct err *err);

#endif
