/*
 * What a run without end does besides reading: it answers the service manager, hands on alerts, writes its
 * metrics, reports itself to the database and watches the wall clock.
 */
#ifndef COLLECTOR_SERVICE_H
#define COLLECTOR_SERVICE_H

#include "alert.h"
#include "connection.h"
#include "self_report.h"

struct service_settings {
    const char *on_episode, *webhook; /* NULL: none */
    const char *webhook_key;          /* name of a credential; NULL: not signed */
    const char *credentials;          /* folder of credentials; NULL: the usual one */
    struct self_report_settings report;
};

struct service;

MUST_USE bool service_new(struct service **service, const struct service_settings *settings, struct err *err);
void service_free(struct service *s); /* NULL is fine */

/* Takes other settings while it runs; what is wrong leaves the old ones in force. */
MUST_USE bool service_change(struct service *s, const struct service_settings *settings, struct err *err);

/* Channels that new episodes are written for. */
const struct outbox_channels *service_channels(const struct service *s);
/* New alerts may have been written. */
void service_wake(struct service *s);
/* The manager's questions: ready is said once, at the first call. */
void service_ready(struct service *s);
void service_reloading(struct service *s);
void service_reloaded(struct service *s);
/* It ends, within so many milliseconds. */
void service_stopping(struct service *s, int64_t within_ms);

/* From now on the state of this run is kept in this folder, for the command health. */
void service_keep_state(struct service *s, const char *dir);
/* It was found away, and why; service_alive says when it is back. */
void service_database_away(struct service *s, const char *why);
/* To be called whenever the main loop has turned, also while the database is away. spool NULL: none. */
void service_alive(struct service *s, const struct reader *reader, const struct spool *spool,
                   const struct connection *connection);
/* How long the next turn may wait. */
int64_t service_turn_ms(const struct service *s, int64_t usual_ms);
/* Alerts and the report of ourselves. False: the database cannot be used now. */
MUST_USE bool service_turn(struct service *s, struct db *db, struct err *err);
/* Before the end: alerts under way are waited for, at most so long. */
MUST_USE bool service_finish(struct service *s, struct db *db, int64_t wait_ms, struct err *err);

#endif
