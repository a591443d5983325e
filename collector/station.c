#include "station.h"

#include "base/clock.h"
#include "base/log.h"
#include "feed.h"
#include "model_check.h"
#include "mtconnect.h"
#include "settings.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const size_t ANSWER_BYTES = (size_t)512 * 1024 * 1024;
enum { MOST_OFFSET_S = 300 };
static const size_t CHECK_BYTES = (size_t)256 * 1024 * 1024;

const char *const failure_words[FAILURE_KINDS] = {
    [FAILURE_NO_ANSWER] = "no_answer",   [FAILURE_REFUSED] = "refused", [FAILURE_TOO_LARGE] = "too_large",
    [FAILURE_UNREADABLE] = "unreadable", [FAILURE_UNFIT] = "unfit",     [FAILURE_NOT_STORED] = "not_stored",
};

struct station *station_new(const struct source *s)
{
    struct station *st = calloc(1, sizeof *st);
    if (!st)
        err_no_memory();
    st->key = strdup(s->source);
    if (!st->key)
        err_no_memory();
    st->source = s;
    st->failures = s->failures;
    st->certificate_end_us = st->last_sequence = st->clock_offset_us = TIME_UNKNOWN;
    station_stand(st, &s->cursor);
    return st;
}

void station_register(struct station *st, const struct source *s)
{
    st->source = s;
    st->poll.stored_lives = &s->lives;
    if (s->unseen > st->unseen) /* bound anew: the model is to be read again */
        st->model[0] = '\0';
}

static void drop_documents(struct station *st)
{
    arena_free(st->mem);
    st->mem = NULL;
}

static void forget_lives(struct station *st)
{
    free(st->lives.items);
    free(st->life_names);
    st->life_names = NULL;
    st->lives = (struct lives){0};
}

/* The oldest of many is forgotten. */
static void leave_life(struct station *st, const struct cursor *at)
{
    struct lives *lives = &st->lives;
    if (!lives->items) {
        lives->items = calloc(STATION_LIVES, sizeof *lives->items);
        st->life_names = calloc(STATION_LIVES, sizeof *st->life_names);
        if (!lives->items || !st->life_names)
            err_no_memory();
    }
    if (lives->count == STATION_LIVES) {
        lives->count--;
        memmove(st->life_names, st->life_names + 1, lives->count * sizeof *st->life_names);
        for (size_t k = 0; k < lives->count; k++)
            lives->items[k].next = lives->items[k + 1].next;
    }
    char *name = st->life_names[lives->count];
    snprintf(name, POLL_LIFE_TEXT, "%s", at->instance);
    lives->items[lives->count++] = (struct cursor){name, at->next};
}

void station_free(struct station *st)
{
    drop_documents(st);
    arena_free(st->checks);
    forget_lives(st);
    free(st->refusals);
    free(st->key);
    free(st);
}

void station_stand(struct station *st, const struct cursor *at)
{
    const struct source *s = st->source;
    st->discard = st->in_flight;
    if (!poll_stand(&st->poll, at, s->buffer_size, s->last_contact_us)) /* nothing that we stored */
        BUG("the stored instance of source '%s' is too long", st->key);
    forget_lives(st);
    st->poll.lives = &st->lives;
    st->poll.stored_lives = &s->lives;
    if (!st->in_flight)
        drop_documents(st);
}

void station_ask(struct station *st, struct fetch *f)
{
    if (!st->mem)
        st->mem = arena_new(ANSWER_BYTES);
    st->in_flight = true;
    const struct source *s = st->source;
    const struct fetch_access access = {&s->networks,  s->ca_file,           s->pinned_key,
                                        s->credential, settings.credentials, st->any_type};
    const char *url = st->probing ? poll_model_url(s->url, st->mem) : poll_url(&st->poll, s->url, st->mem);
    fetch_start(f, url, &access, st);
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

/* Logs when something of the clocks begins, not each time. */
static void tell_clocks(struct station *st, const struct document *d, const struct batch *b)
{
    bool has_offset = b->clock_offset_us != TIME_UNKNOWN;
    int64_t offset_s = has_offset ? b->clock_offset_us / US_PER_S : 0;
    bool is_off = offset_s > MOST_OFFSET_S || offset_s < -MOST_OFFSET_S;
    if (is_off && !st->clock_is_off)
        log_warn("source.clock_off", "source=%s ahead_s=%lld", st->key, (long long)offset_s);
    if (b->ahead && !st->stamps_are_ahead)
        log_warn("source.stamps_ahead", "source=%s observations=%zu lie after the source's own clock",
                 st->key, b->ahead);
    if (d->without_zone && !st->zones_are_missing)
        log_warn("source.no_zone", "source=%s stamps=%zu have no zone and are taken as UTC", st->key,
                 d->without_zone);
    st->clock_is_off = is_off;
    st->stamps_are_ahead |= b->ahead > 0;
    st->zones_are_missing |= d->without_zone > 0;
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

/* Which model the items of a document belong to. An agent before 1.7 does not tell changes, but restarts. */
static void model_name(const struct document *d, char name[static STATION_MODEL])
{
    snprintf(name, STATION_MODEL, "%.127s %.60s", d->instance, d->model_changed ? d->model_changed : "");
}

/* True: the model is to be read first, and then this answer again. */
static bool must_check(struct station *st, const struct document *d)
{
    const struct source *s = st->source;
    char name[STATION_MODEL];
    if (s->is_feed || !s->item_count || d->kind != DOCUMENT_OBSERVATIONS)
        return false;
    model_name(d, name);
    if (strcmp(name, st->model) == 0)
        return false;
    snprintf(st->model, sizeof st->model, "%s", name);
    return true;
}

static void tell_stopped(const struct source *s)
{
    for (size_t k = 0; k < s->slot_count; k++) {
        const struct item_binding *b = s->slots[k];
        if (b && b->check && b->check->is_new && b->check->stopped)
            log_error("binding.stopped", "source=%s device=%s item=%s why='%s'", s->source, b->device,
                      b->item, b->check->stopped);
    }
}

/* A model that cannot be had leaves the bindings as they are: the observations are worth more. */
static enum poll_outcome take_model(struct station *st, const struct fetched *came)
{
    struct err err = {0};
    struct model m;
    st->probing = false;
    st->unseen = st->source->unseen;
    if (!st->checks)
        st->checks = arena_new(CHECK_BYTES);
    if (came->error || !mtconnect_model(came->body.bytes, came->body.size, st->mem, &m, &err)) {
        log_warn("source.no_model", "source=%s why='%s'", st->key, came->error ? came->error : err.text);
    } else {
        st->unseen = model_check(st->source, &m, st->checks);
        st->checks_are_new = true;
        tell_stopped(st->source);
        if (st->unseen)
            log_warn("binding.missing", "source=%s items=%zu are bound and not in the source's model",
                     st->key, st->unseen);
    }
    drop_documents(st);
    return POLL_GO_ON;
}

static void count_answer(struct station *st, const struct batch *b)
{
    st->last_sequence = (int64_t)b->last_sequence;
    st->clock_offset_us = b->clock_offset_us;
    st->gaps += (int64_t)b->gap_count;
    st->set_aside += (int64_t)b->set_aside_count;
    if (b->set_aside_count && !st->refusals)
        st->refusals = calloc(1, sizeof *st->refusals);
    if (b->set_aside_count && !st->refusals)
        err_no_memory();
    for (size_t k = 0; k < b->set_aside_count; k++)
        refusals_add(st->refusals, b->set_aside[k].reason, 1);
}

struct source_health station_health(const struct station *st)
{
    const struct source *s = st->source;
    bool has_cursor = st->poll.instance[0], has_offset = st->clock_offset_us != TIME_UNKNOWN;
    return (struct source_health){
        .site = s->site,
        .source = s->source,
        .url = s->url,
        .last_error = st->failures ? st->why : NULL,
        .period_s = s->period_ms / 1000,
        .contact_us = st->poll.last_contact_us,
        .next_sequence = has_cursor ? (int64_t)st->poll.next : HEALTH_UNKNOWN,
        .last_sequence = st->last_sequence,
        .buffer_size = (int64_t)st->poll.buffer_size,
        .clock_offset_ms = has_offset ? st->clock_offset_us / 1000 : HEALTH_UNKNOWN,
        .failures = st->failures,
        .bindings = (int64_t)s->item_count,
        .gaps = st->gaps,
        .set_aside = st->set_aside,
        .certificate_us = st->certificate_end_us,
        .refusals = st->refusals,
    };
}

enum poll_outcome station_take(struct station *st, const struct fetched *came, int64_t now_us,
                               struct arena *mem, struct batch *batch, bool *more)
{
    if (came->certificate_end_us != TIME_UNKNOWN) {
        st->certificate_end_us = came->certificate_end_us;
        st->certificate_is_new = true;
    }
    if (!came->error && came->body.status == STATUS_NOT_ACCEPTABLE && !st->any_type) {
        st->any_type = true;
        return POLL_GO_ON; /* asks the same again */
    }
    if (st->probing)
        return take_model(st, came);
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
    if (must_check(st, d)) {
        st->probing = true;
        poll_restart(&st->poll);
        drop_documents(st);
        return POLL_GO_ON;
    }
    struct poll_result result;
    enum poll_outcome outcome = poll_answer(&st->poll, d, now_us, st->mem, &result, &err);
    if (outcome == POLL_FAILED)
        return failed(st, FAILURE_UNFIT, err.text, now_us);
    if (outcome == POLL_GO_ON && arena_used(st->mem) > ANSWER_BYTES / 2) {
        poll_restart(&st->poll);
        return failed(st, FAILURE_UNFIT, "it gives too much before an answer is complete", now_us);
    }
    if (outcome == POLL_GO_ON)
        return outcome;
    if (result.from.instance[0] && strcmp(result.from.instance, result.to.instance) != 0)
        leave_life(st, &result.from);
    intake(st->source, &result, now_us, mem, batch);
    count_answer(st, batch);
    *more = result.more;
    tell_news(st, result.news, batch);
    tell_clocks(st, d, batch);
    drop_documents(st);
    return outcome;
}
