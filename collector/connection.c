#include "connection.h"

#include "base/clock.h"
#include "base/log.h"
#include "settings.h"
#include "signals.h"

#include <inttypes.h>

enum {
    RETRY_FIRST_MS = 500,
    RETRY_LAST_MS = 5 * 1000,
    TELL_MS = 60 * 1000,
};

bool connection_open(struct connection *c, struct err *err)
{
    signals_cut(-1);
    if (!settings_open_where(&c->db, primary_accept, &c->primary, err))
        return false;
    if (c->is_cut)
        signals_cut(db_socket(c->db));
    return true;
}

void connection_close(struct connection *c)
{
    signals_cut(-1);
    db_close(c->db);
    c->db = NULL;
}

void connection_lost(struct connection *c, const struct err *why)
{
    int64_t now_ms = clock_mono_ms();
    log_error("database.away", "why='%s'", why->text);
    connection_close(c);
    if (!c->retry_wait_ms || now_ms - c->back_since_ms > 2 * RETRY_LAST_MS)
        c->retry_wait_ms = RETRY_FIRST_MS;
    c->away_since_ms = now_ms;
    c->retry_due_ms = now_ms + c->retry_wait_ms;
    c->tell_due_ms = now_ms + TELL_MS;
}

static void tell_still_away(struct connection *c, int64_t now_ms, const struct err *why)
{
    if (now_ms < c->tell_due_ms)
        return;
    c->tell_due_ms = now_ms + TELL_MS;
    log_warn("database.still_away", "for_s=%" PRId64 " why='%s'", (now_ms - c->away_since_ms) / 1000,
             why->text);
}

bool connection_retry(struct connection *c, struct err *why)
{
    if (clock_mono_ms() < c->retry_due_ms)
        return false;
    bool is_back = connection_open(c, why);
    int64_t now_ms = clock_mono_ms();
    c->retry_wait_ms = c->retry_wait_ms * 2 < RETRY_LAST_MS ? c->retry_wait_ms * 2 : RETRY_LAST_MS;
    c->retry_due_ms = now_ms + c->retry_wait_ms;
    if (!is_back) {
        tell_still_away(c, now_ms, why);
        return false;
    }
    log_info("database.back", "after_s=%" PRId64, (now_ms - c->away_since_ms) / 1000);
    c->back_since_ms = now_ms;
    return true;
}
