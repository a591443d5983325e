#include "station.h"

#include "base/clock.h"
#include "base/log.h"
#include "feed.h"
#include "mtconnect.h"
#include "settings.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const size_t ANSWER_BYTES = (size_t)512 * 1024 * 1024;

const char *const failure_words[FAILURE_KINDS] = {
    [FAILURE_NO_ANSWER] = "no_answer",   [FAILURE_REFUSED] = "refused", [FAILURE_TOO_LARGE] = "too_large",
    [FAILURE_UNREADABLE] = "unreadable", [FAILURE_UNFIT] = "unfit",     [FAILURE_NOT_STORED] = "not_stored",
};

struct station *station_new(const struct source *s)
{
    struct station *st = calloc(1, sizeof *st);
    if (!st)
        BUG("out of memory");
    st->key = strdup(s->source);
    st->source = s;
    st->failures = s->failures;
    station_stand(st, &s->cursor);
    return st;
}

static void drop_documents(struct station *st)
{
    arena_free(st->mem);
    st->mem = NULL;
}

void station_free(struct station *st)
{
    drop_documents(st);
    free(st->key);
    free(st);
}

void station_stand(struct station *st, const struct cursor *at)
{
    const struct source *s = st->source;
    st->discard = st->in_flight;
    if (!poll_stand(&st->poll, at, s->buffer_size, s->last_contact_us)) /* nothing that we stored */
        BUG("the stored instance of source '%s' is too long", st->key);
    if (!st->in_flight)
        drop_documents(st);
}

void station_ask(struct station *st, struct fetch *f)
{
    if (!st->mem)
        st->mem = arena_new(ANSWER_BYTES);
    st->in_flight = true;
    const struct source *s = st->source;
    const struct fetch_access access = {&s->networks, s->ca_file, s->pinned_key, s->credential,
                                        settings.credentials};
    fetch_start(f, poll_url(&st->poll, s->url, st->mem), &access, st);
}

void station_failed(struct station *st, enum failure_kind kind, const char *why, int64_t now_us)
{
    st->failure = kind;
    snprintf(st->why, sizeof st->why, "%s", why);
    st->failed_us = now_us;
    st->failure_is_new = true;
    if (st->failures++ == 0)
        log_warn("source.silent", "source=%s why='%s'", st->key, st->why);
}

void station_answered(struct station *st)
{
    if (st->failures)
        log_info("source.answers", "source=%s after=%d failures", st->key, st->failures);
    st->failures = 0;
    st->failure_is_new = false;
    st->has_read = true;
}

static void tell_news(const struct station *st, enum poll_news news, const struct batch *b)
{
    switch (news) {
    case POLL_NEWS_OVERRUN:
        log_warn("source.overrun", "source=%s lost=%llu", st->key,
                 b->gap_count ? (unsigned long long)(b->gaps[0].to_sequence - b->gaps[0].from_sequence) : 0);
        break;
    case POLL_NEWS_RESTART:
        log_warn("source.restarted", "source=%s instance=%s", st->key, b->to.instance);
        break;
    case POLL_NEWS_REWIND:
        log_error("source.rewound", "source=%s instance=%s from=%llu to=%llu", st->key, b->to.instance,
                  (unsigned long long)b->from.next, (unsigned long long)b->to.next);
        break;
    case POLL_NEWS_FIRST:
    case POLL_NEWS_NONE:
        break;
    }
}

static enum poll_outcome failed(struct station *st, enum failure_kind kind, const char *why, int64_t now_us)
{
    station_failed(st, kind, why, now_us);
    drop_documents(st);
    return POLL_FAILED;
}

static bool decode(const struct station *st, const struct body *body, struct document *d, struct err *err)
{
    bool ok = st->source->is_feed ? feed_document(body->bytes, body->size, st->mem, d, err)
                                  : mtconnect_document(body->bytes, body->size, st->mem, d, err);
    if (!ok && body->status != 200)
        err_in(err, "HTTP status %ld", body->status);
    return ok;
}

enum poll_outcome station_take(struct station *st, const struct fetched *came, int64_t now_us,
                               struct arena *mem, struct batch *batch, bool *more)
{
    if (came->certificate_end_us != TIME_UNKNOWN) {
        st->certificate_end_us = came->certificate_end_us;
        st->certificate_is_new = true;
    }
    if (came->error) {
        if (came->too_large)
            poll_shrink(&st->poll);
        else
            poll_restart(&st->poll);
        return failed(st,
                      came->refused     ? FAILURE_REFUSED
                      : came->too_large ? FAILURE_TOO_LARGE
                                        : FAILURE_NO_ANSWER,
                      came->error, now_us);
    }
    struct document *d = arena_alloc(st->mem, sizeof *d);
    struct err err = {0};
    if (!decode(st, &came->body, d, &err)) {
        poll_restart(&st->poll);
        return failed(st, FAILURE_UNREADABLE, err.text, now_us);
    }
    struct poll_result result;
    enum poll_outcome outcome = poll_answer(&st->poll, d, now_us, st->mem, &result, &err);
    if (outcome == POLL_FAILED)
        return failed(st, FAILURE_UNFIT, err.text, now_us);
    if (outcome == POLL_GO_ON)
        return outcome;
    intake(st->source, &result, now_us, mem, batch);
    *more = result.more;
    tell_news(st, result.news, batch);
    drop_documents(st);
    return outcome;
}
