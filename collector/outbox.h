/*
 * Alerts on their way: the database's side of handing on new and changed episodes.
 *
 * An alert is written in the transaction that stores its episode, one for each channel, and stays until the
 * other side has taken it or OUTBOX_GIVE_UP_US have passed. A change that lies further back than
 * OUTBOX_OLDEST_US when it becomes known (history that is caught up) is not handed on. Several collectors may
 * share the work: a taken alert is another's again only after OUTBOX_LEASE_US.
 */
#ifndef COLLECTOR_OUTBOX_H
#define COLLECTOR_OUTBOX_H

#include "base/clock.h"
#include "base/episode.h"
#include "columns.h"

#define OUTBOX_OLDEST_US US_PER_HOUR
#define OUTBOX_LEASE_US (20 * US_PER_S) /* longer than any try */
#define OUTBOX_GIVE_UP_US US_PER_DAY

/* Where alerts go: "command", "webhook". */
struct outbox_channels {
    const char *names[2];
    size_t count;
};

/* News of episodes, gathered in mem. */
struct columns *outbox_news(struct arena *mem);
/* withdrawn: late data showed that there was no such episode. */
void outbox_note(struct columns *news, const char *site, const char *drive, const char *fault,
                 const struct episode *e, int64_t known_from_us, bool withdrawn);
/* Inside the transaction that stores the episodes. *written counts the alerts. */
MUST_USE bool outbox_write(struct db *db, const struct columns *news, const struct outbox_channels *to,
                           int64_t now_us, struct arena *mem, int64_t *written, struct err *err);

struct outbox_alert {
    const char *site, *drive, *fault;
    int64_t began_us, created_us;
    int version, tries;       /* this one included */
    const char *id;           /* of the episode and its version, in plain letters */
    const char *event, *body; /* JSON */
};

/* Up to 'most' that are due, in mem; each begins a try. */
MUST_USE bool outbox_take(struct db *db, const char *channel, size_t most, int64_t now_us, struct arena *mem,
                          struct outbox_alert **alerts, size_t *count, struct err *err);
MUST_USE bool outbox_sent(struct db *db, const struct outbox_alert *a, const char *channel, int64_t now_us,
                          struct err *err);
/* *given_up: it will not be tried again. */
MUST_USE bool outbox_failed(struct db *db, const struct outbox_alert *a, const char *channel, int64_t now_us,
                            const char *why, bool *given_up, struct err *err);
/* Deletes what was settled OUTBOX_KEPT_DAYS ago. */
enum { OUTBOX_KEPT_DAYS = 30 };
MUST_USE bool outbox_forget(struct db *db, int64_t now_us, struct err *err);

#endif
