#include "poll.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum { MOST_REQUESTS = 24 };
static const char SET_BACK[] = "; set back ";

bool poll_stand(struct poll *p, const struct cursor *at, uint64_t buffer_size, int64_t last_contact_us)
{
    if (strlen(at->instance) >= sizeof p->instance)
        return false;
    *p = (struct poll){.next = at->next,
                       .count = POLL_USUAL_COUNT,
                       .buffer_size = buffer_size,
                       .last_contact_us = last_contact_us};
    snprintf(p->instance, sizeof p->instance, "%s", at->instance);
    poll_restart(p);
    return true;
}

void poll_restart(struct poll *p)
{
    p->step = p->instance[0] ? POLL_READ : POLL_LOOK;
    p->news = POLL_NEWS_NONE;
    p->state = NULL;
    p->requests = 0;
    p->former[0] = '\0';
}

static uint64_t count_to_ask(const struct poll *p)
{
    return p->buffer_size && p->buffer_size < p->count ? p->buffer_size : p->count;
}

static bool halve(struct poll *p)
{
    uint64_t count = count_to_ask(p);
    p->count = count > 1 ? count / 2 : 1;
    return count > 1;
}

void poll_shrink(struct poll *p)
{
    (void)halve(p);
    poll_restart(p);
}

static size_t length_of_base(const char *base)
{
    size_t n = strlen(base);
    while (n && base[n - 1] == '/')
        n--;
    return n;
}

const char *poll_model_url(const char *base, struct arena *mem)
{
    return arena_printf(mem, "%.*s/probe", (int)length_of_base(base), base);
}

/* Where the next request begins, also when the header does not say. */
static uint64_t next_after(const struct document *d, uint64_t from)
{
    if (d->next_sequence)
        return d->next_sequence;
    uint64_t last = d->count ? d->observations[d->count - 1].sequence : 0;
    return last >= from ? last + 1 : from;
}

static uint64_t oldest_held(const struct document *d)
{
    if (d->first_sequence)
        return d->first_sequence;
    return d->count ? d->observations[0].sequence : next_after(d, 1);
}

/* It still holds what was not read of the instance that it came back to. */
static bool begins_at_former(const struct poll *p)
{
    return p->former[0] && p->former_next >= oldest_held(p->state);
}

static const char *sample_url(const char *base, size_t n, uint64_t from, uint64_t count, struct arena *mem)
{
    return arena_printf(mem, "%.*s/sample?from=%" PRIu64 "&count=%" PRIu64, (int)n, base, from, count);
}

const char *poll_url(const struct poll *p, const char *base, struct arena *mem)
{
    size_t n = length_of_base(base);
    switch (p->step) {
    case POLL_LOOK:
        return arena_printf(mem, "%.*s/current", (int)n, base);
    case POLL_BEGIN:
        if (!begins_at_former(p))
            return arena_printf(mem, "%.*s/sample?count=%" PRIu64, (int)n, base, count_to_ask(p));
        return sample_url(base, n, p->former_next, count_to_ask(p), mem);
    case POLL_READ:
        break;
    }
    return sample_url(base, n, p->next, count_to_ask(p), mem);
}

static enum poll_outcome fail(struct poll *p)
{
    poll_restart(p);
    return POLL_FAILED;
}

static enum poll_outcome look(struct poll *p, enum poll_news news)
{
    p->step = POLL_LOOK;
    p->news = news;
    p->state = NULL;
    p->former[0] = '\0';
    return POLL_GO_ON;
}

static enum poll_outcome ask_for_less(struct poll *p, const struct document *d, struct err *err)
{
    if (halve(p))
        return POLL_GO_ON;
    err_set(err, ERR_INPUT, "the source refuses even one observation at a time: %s", d->error_text);
    return fail(p);
}

static enum poll_outcome refused(struct poll *p, const struct document *d, struct err *err)
{
    err_set(err, ERR_INPUT, "the source answers: %s", d->error_text ? d->error_text : "error");
    return fail(p);
}

static struct cursor position(const struct poll *p, struct arena *mem)
{
    return (struct cursor){arena_strdup(mem, p->instance), p->next};
}

/* Whether a source that says this instance is in this life of it, set back or not. */
static bool is_life_of(const char *life, const char *said)
{
    size_t n = strlen(said);
    bool begins = strncmp(life, said, n) == 0;
    return begins && (!life[n] || strncmp(life + n, SET_BACK, strlen(SET_BACK)) == 0);
}

static bool is_ours(const struct poll *p, const char *said)
{
    return is_life_of(p->instance, said);
}

static const struct cursor *newest_life(const struct lives *lives, const char *said)
{
    for (size_t k = lives ? lives->count : 0; k > 0; k--) {
        if (is_life_of(lives->items[k - 1].instance, said))
            return &lives->items[k - 1];
    }
    return NULL;
}

/* What follows an instance that another one took the place of: perhaps one that was read before. */
static void find_former(struct poll *p, const char *said, uint64_t next)
{
    const struct cursor *life = newest_life(p->lives, said);
    if (!life)
        life = newest_life(p->stored_lives, said);
    p->news = life && next < life->next ? POLL_NEWS_REWIND : POLL_NEWS_RESTART;
    if (!life || next < life->next)
        return;
    snprintf(p->former, sizeof p->former, "%s", life->instance);
    p->former_next = life->next;
}

static void take_instance(struct poll *p, const char *said, int64_t now_us)
{
    char moment[TIME_TEXT] = "";
    bool set_back = p->news == POLL_NEWS_REWIND;
    if (set_back)
        time_format(now_us, moment);
    if (p->former[0])
        snprintf(p->instance, sizeof p->instance, "%s", p->former);
    else if (set_back || !is_ours(p, said))
        snprintf(p->instance, sizeof p->instance, "%s%s%s", said, set_back ? SET_BACK : "", moment);
}

/* Fills *out, and lets p stand at the end of what it holds. */
static enum poll_outcome complete(struct poll *p, const struct document *d, uint64_t next, int64_t now_us,
                                  struct arena *mem, struct poll_result *out)
{
    out->from = position(p, mem);
    out->news = p->news;
    out->buffer_size = d->buffer_size;
    out->last_sequence = d->last_sequence;
    out->created_us = d->created_us;
    out->more = next <= d->last_sequence && (next > p->next || p->news != POLL_NEWS_NONE);

    take_instance(p, d->instance, now_us);
    p->next = next;
    if (d->buffer_size)
        p->buffer_size = d->buffer_size;
    p->last_contact_us = now_us;
    out->to = position(p, mem);
    poll_restart(p);
    return POLL_COMPLETE;
}

static enum poll_outcome on_read(struct poll *p, const struct document *d, int64_t now_us, struct arena *mem,
                                 struct poll_result *out, struct err *err)
{
    if (d->instance[0] && !is_ours(p, d->instance))
        return look(p, POLL_NEWS_RESTART);
    if (d->kind == DOCUMENT_ERROR) {
        if (d->error == SOURCE_ERROR_OUT_OF_RANGE)
            return look(p, POLL_NEWS_NONE);
        return d->error == SOURCE_ERROR_TOO_MANY ? ask_for_less(p, d, err) : refused(p, d, err);
    }
    uint64_t next = next_after(d, p->next);
    if (d->first_sequence > p->next)
        return look(p, POLL_NEWS_OVERRUN);
    /* Also when it hands back what it was asked for, as if there were nothing new. */
    if (next < p->next || (d->last_sequence && d->last_sequence + 1 < p->next))
        return look(p, POLL_NEWS_REWIND);
    out->parts[out->part_count++] = (struct poll_part){d, p->next, next};
    return complete(p, d, next, now_us, mem, out);
}

static void add_gap(struct poll_result *out, const char *instance, uint64_t from, uint64_t to,
                    int64_t since_us, int64_t now_us, const char *reason)
{
    out->gaps[out->gap_count++] = (struct gap_row){.instance = instance,
                                                   .from_sequence = from,
                                                   .to_sequence = to,
                                                   .from_us = since_us,
                                                   .to_us = now_us,
                                                   .reason = reason};
}

static void say_gaps(const struct poll *p, uint64_t oldest, int64_t now_us, struct arena *mem,
                     struct poll_result *out)
{
    bool overrun = p->news == POLL_NEWS_OVERRUN;
    if (p->news == POLL_NEWS_FIRST || (overrun && oldest <= p->next))
        return;
    add_gap(out, arena_strdup(mem, p->instance), p->next, overrun ? oldest : 0, p->last_contact_us, now_us,
            overrun ? "overrun" : "restart");
    if (p->former[0] && oldest > p->former_next)
        add_gap(out, arena_strdup(mem, p->former), p->former_next, oldest, TIME_UNKNOWN, now_us, "overrun");
}

/* The instance that it came back to has nothing new. */
static enum poll_outcome only_came_back(struct poll *p, const struct document *d, int64_t now_us,
                                        struct arena *mem, struct poll_result *out)
{
    say_gaps(p, p->former_next, now_us, mem, out);
    out->state = d;
    out->state_end = p->former_next;
    return complete(p, d, p->former_next, now_us, mem, out);
}

/* The newest state tells apart what an error leaves open: overrun, nothing new, rewound, too much asked. */
static enum poll_outcome on_look(struct poll *p, const struct document *d, int64_t now_us, struct arena *mem,
                                 struct poll_result *out, struct err *err)
{
    if (d->kind == DOCUMENT_ERROR)
        return refused(p, d, err);
    uint64_t next = next_after(d, 1), asked = count_to_ask(p);
    if (d->buffer_size)
        p->buffer_size = d->buffer_size;
    if (!p->instance[0]) {
        p->news = POLL_NEWS_FIRST;
    } else if (!is_ours(p, d->instance)) {
        find_former(p, d->instance, next);
    } else if (oldest_held(d) > p->next) {
        p->news = POLL_NEWS_OVERRUN;
    } else if (p->next > next) {
        p->news = POLL_NEWS_REWIND;
    } else if (p->next == next) {
        p->news = POLL_NEWS_NONE;
        return complete(p, d, next, now_us, mem, out);
    } else { /* within what is held: so the count was out of range, or the error was a passing one */
        bool in_doubt = p->news == POLL_NEWS_NONE;
        p->step = POLL_READ;
        p->news = POLL_NEWS_NONE;
        return in_doubt && count_to_ask(p) == asked ? ask_for_less(p, d, err) : POLL_GO_ON;
    }
    if (p->former[0] && p->former_next == next)
        return only_came_back(p, d, now_us, mem, out);
    p->state = d;
    p->step = POLL_BEGIN;
    return POLL_GO_ON;
}

static enum poll_outcome on_begin(struct poll *p, const struct document *d, int64_t now_us, struct arena *mem,
                                  struct poll_result *out, struct err *err)
{
    if (d->instance[0] && strcmp(d->instance, p->state->instance) != 0)
        return look(p, p->news);
    if (d->kind == DOCUMENT_ERROR) {
        bool less = d->error == SOURCE_ERROR_OUT_OF_RANGE || d->error == SOURCE_ERROR_TOO_MANY;
        return less ? ask_for_less(p, d, err) : refused(p, d, err);
    }
    uint64_t known = p->news == POLL_NEWS_OVERRUN ? p->next : p->former[0] ? p->former_next : 0;
    uint64_t oldest = oldest_held(d), begin = oldest > known ? oldest : known, next = next_after(d, begin);
    if (next < known) /* it went on, or does not begin where it was asked to */
        return look(p, p->news);
    out->parts[out->part_count++] = (struct poll_part){p->state, known, oldest};
    out->parts[out->part_count++] = (struct poll_part){d, begin, next};
    say_gaps(p, oldest, now_us, mem, out);
    if (p->news != POLL_NEWS_FIRST) {
        out->state = p->state;
        out->state_end = next_after(p->state, 1);
    }
    return complete(p, d, next, now_us, mem, out);
}

/* False with *err set for a document that no rule covers. */
static bool is_usable(const struct document *d, struct err *err)
{
    if (d->next_sequence > INT64_MAX || d->last_sequence > INT64_MAX || d->first_sequence > INT64_MAX)
        return err_set(err, ERR_INPUT, "the source counts beyond 2^63-1");
    if (strlen(d->instance) >= POLL_INSTANCE_TEXT)
        return err_set(err, ERR_INPUT, "the source's instance is longer than %d characters",
                       POLL_INSTANCE_TEXT - 1);
    if (d->kind == DOCUMENT_OBSERVATIONS && !d->instance[0])
        return err_set(err, ERR_INPUT, "the source does not say its instance");
    return true;
}

enum poll_outcome poll_answer(struct poll *p, const struct document *d, int64_t now_us, struct arena *mem,
                              struct poll_result *out, struct err *err)
{
    *out = (struct poll_result){.created_us = TIME_UNKNOWN};
    if (!is_usable(d, err))
        return fail(p);
    if (++p->requests > MOST_REQUESTS) {
        err_set(err, ERR_INPUT, "no complete answer in %d requests", MOST_REQUESTS);
        return fail(p);
    }
    switch (p->step) {
    case POLL_READ:
        return on_read(p, d, now_us, mem, out, err);
    case POLL_LOOK:
        return on_look(p, d, now_us, mem, out, err);
    case POLL_BEGIN:
        return on_begin(p, d, now_us, mem, out, err);
    }
    BUG("a poll in step %d", (int)p->step);
}
