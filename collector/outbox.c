#include "outbox.h"

#include "queries.h"
#include "schedule.h"

enum { NEWS_WIDTH = 9 };
enum { SITE, DRIVE, FAULT, BEGAN, VERSION, TRIES, CREATED, ID, EVENT, BODY };

struct columns *outbox_news(struct arena *mem)
{
    return columns_new(mem, NEWS_WIDTH);
}

void outbox_note(struct columns *news, const char *site, const char *drive, const char *fault,
                 const struct episode *e, int64_t known_from_us, bool withdrawn)
{
    const struct db_value cells[NEWS_WIDTH] = {
        db_text(site),
        db_text(drive),
        db_text(fault),
        db_moment(e->began_us),
        db_moment(e->alarm_us),
        db_moment(e->ended_us),
        db_text(episode_outcome_word(e->outcome)),
        db_moment(known_from_us),
        db_bool(withdrawn),
    };
    columns_add(news, cells);
}

bool outbox_write(struct db *db, const struct columns *news, const struct outbox_channels *to, int64_t now_us,
                  struct arena *mem, int64_t *written, struct err *err)
{
    *written = 0;
    if (!columns_rows(news) || !to->count)
        return true;
    struct db_value params[NEWS_WIDTH + 3];
    params[0] = db_text_array(mem, to->names, to->count);
    columns_params(news, params + 1);
    params[NEWS_WIDTH + 1] = db_moment(now_us);
    params[NEWS_WIDTH + 2] = db_moment(now_us - OUTBOX_OLDEST_US);
    return db_exec(db, &q_alert_add, params, NEWS_WIDTH + 3, written, err);
}

bool outbox_take(struct db *db, const char *channel, size_t most, int64_t now_us, struct arena *mem,
                 struct outbox_alert **alerts, size_t *count, struct err *err)
{
    const struct db_value params[] = {db_text(channel), db_int((int64_t)most), db_moment(now_us),
                                      db_moment(now_us + OUTBOX_LEASE_US)};
    struct rows *r;
    if (!db_query(db, &q_alert_take, params, 4, &r, err))
        return false;
    *count = rows_count(r);
    *alerts = arena_array(mem, struct outbox_alert, *count);
    for (size_t k = 0; k < *count; k++) {
        (*alerts)[k] = (struct outbox_alert){
            .site = arena_strdup(mem, rows_text(r, k, SITE)),
            .drive = arena_strdup(mem, rows_text(r, k, DRIVE)),
            .fault = arena_strdup(mem, rows_text(r, k, FAULT)),
            .began_us = rows_moment(r, k, BEGAN),
            .created_us = rows_moment(r, k, CREATED),
            .version = (int)rows_int(r, k, VERSION),
            .tries = (int)rows_int(r, k, TRIES),
            .id = arena_strdup(mem, rows_text(r, k, ID)),
            .event = arena_strdup(mem, rows_text(r, k, EVENT)),
            .body = arena_strdup(mem, rows_text(r, k, BODY)),
        };
    }
    rows_free(r);
    return true;
}

bool outbox_sent(struct db *db, const struct outbox_alert *a, const char *channel, int64_t now_us,
                 struct err *err)
{
    const struct db_value params[] = {
        db_text(a->site),   db_text(a->drive), db_text(a->fault), db_moment(a->began_us),
        db_int(a->version), db_text(channel),  db_moment(now_us),
    };
    return db_exec(db, &q_alert_sent, params, 7, NULL, err);
}

bool outbox_failed(struct db *db, const struct outbox_alert *a, const char *channel, int64_t now_us,
                   const char *why, bool *given_up, struct err *err)
{
    int64_t retry_us = now_us + schedule_retry_ms(a->drive, a->tries, 0) * 1000;
    *given_up = retry_us - a->created_us > OUTBOX_GIVE_UP_US;
    const struct db_value params[] = {
        db_text(a->site),    db_text(a->drive),
        db_text(a->fault),   db_moment(a->began_us),
        db_int(a->version),  db_text(channel),
        db_moment(retry_us), db_moment(*given_up ? now_us : TIME_UNKNOWN),
        db_text(why),
    };
    return db_exec(db, &q_alert_failed, params, 9, NULL, err);
}

bool outbox_forget(struct db *db, int64_t now_us, struct err *err)
{
    const struct db_value before = db_moment(now_us - OUTBOX_KEPT_DAYS * US_PER_DAY);
    return db_exec(db, &q_alert_forget, &before, 1, NULL, err);
}
