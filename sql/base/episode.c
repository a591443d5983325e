#include "base/episode.h"

#include <stdlib.h>
#include <string.h>

/*
 * One condition from becoming active to its end. The rules (MTConnect part 2, "Condition"): several can be
 * active on one item, told apart by their id; a repeated warning or alarm of an active one updates it; Normal
 * with a code ends that one, Normal without any ends all of the item. Unavailable says nothing about them:
 * they go on when they are reported again, and when Normal comes instead, their true end was not seen. A list
 * of all that is active on an item ends what it does not name: at some time before, which was not seen
 * either.
 */
struct activation {
    const char *item, *id, *code;
    enum fault_kind fault;
    bool builder; /* a message that the machine's builder added */
    bool active, unknown, end_seen;
    enum fault_level level;
    int64_t began_us, ended_us, warning_us, alarm_us;
    int reports;
};

struct activations {
    struct arena *mem;
    struct activation *all;
    size_t count, capacity;
};

/* An episode in the making. */
struct draft {
    struct episode episode;
    int64_t warning_us; /* the first warning; TIME_UNKNOWN: none */
};

/* The code of a fan's alarm is an alarm in whatever state it comes; that of a heat-sink fan serves both
 * stages. */
static bool is_alarm(const struct fault_report *r)
{
    if (r->kind == CODE_BUILDER_FAN_MESSAGE)
        return false;
    return r->level == LEVEL_ALARM || r->kind == CODE_FAN_ALARM;
}

static enum fault_kind fault_of(enum code_kind kind)
{
    return kind == CODE_HEAT_SINK_FAN_ALARM ? FAULT_HEAT_SINK_FAN : FAULT_FAN;
}

static struct activation *find_active(struct activations *s, const struct fault_report *r)
{
    for (size_t k = 0; k < s->count; k++) {
        struct activation *a = &s->all[k];
        if (a->active && a->fault == fault_of(r->kind) && strcmp(a->item, r->item) == 0 &&
            strcmp(a->id, r->id) == 0)
            return a;
    }
    return NULL;
}

static struct activation *new_activation(struct activations *s, const struct fault_report *r, int64_t at_us)
{
    if (s->count == s->capacity) {
        size_t capacity = s->capacity ? s->capacity * 2 : 16;
        s->all = arena_grow(s->mem, s->all, s->count, capacity, sizeof *s->all);
        s->capacity = capacity;
    }
    struct activation *a = &s->all[s->count++];
    *a = (struct activation){
        .item = r->item,
        .id = r->id,
        .code = r->code,
        .fault = fault_of(r->kind),
        .builder = r->kind == CODE_BUILDER_FAN_MESSAGE,
        .active = true,
        .level = LEVEL_NORMAL,
        .began_us = at_us,
        .ended_us = TIME_UNKNOWN,
        .warning_us = TIME_UNKNOWN,
        .alarm_us = TIME_UNKNOWN,
    };
    return a;
}

static void activate(struct activations *s, const struct fault_report *r, int64_t at_us)
{
    if (r->kind == CODE_OTHER)
        return;
    struct activation *a = find_active(s, r);
    if (!a)
        a = new_activation(s, r, at_us);
    a->unknown = false;
    if (r->code) /* one activation may pass from the code of its warning to that of its alarm */
        a->code = r->code;

    enum fault_level level = is_alarm(r) ? LEVEL_ALARM : LEVEL_WARNING;
    if (a->level == level)
        return; /* a repetition */
    a->level = level;
    a->reports++;
    int64_t *first = level == LEVEL_ALARM ? &a->alarm_us : &a->warning_us;
    if (*first == TIME_UNKNOWN)
        *first = at_us;
}

/* A normal names what it ends by condition id or by native code; without either it ends all of the item. */
static bool is_ended_by(const struct activation *a, const struct fault_report *r)
{
    return !r->id[0] || strcmp(a->id, r->id) == 0 || (a->code && strcmp(a->code, r->id) == 0);
}

static bool is_listed(const struct activation *a, const char *listed)
{
    size_t length = strlen(a->id);
    for (const char *line = listed; *line; line += strcspn(line, "\n") + 1)
        if (strncmp(line, a->id, length) == 0 && line[length] == '\n')
            return true;
    return false;
}

static void end(struct activation *a, int64_t at_us, bool seen)
{
    a->active = false;
    a->ended_us = at_us;
    a->end_seen = seen;
}

static void apply(struct activations *s, const struct fault_report *r, int64_t at_us)
{
    if (r->level == LEVEL_WARNING || r->level == LEVEL_ALARM) {
        activate(s, r, at_us);
        return;
    }
    for (size_t k = 0; k < s->count; k++) {
        struct activation *a = &s->all[k];
        if (!a->active || strcmp(a->item, r->item) != 0)
            continue;
        if (r->level == LEVEL_UNAVAILABLE)
            a->unknown = true;
        else if (r->level == LEVEL_NORMAL && is_ended_by(a, r))
            end(a, at_us, !a->unknown);
        else if (r->level == LEVEL_LISTED && is_listed(a, r->listed))
            a->unknown = false;
        else if (r->level == LEVEL_LISTED)
            end(a, at_us, false);
    }
}

static int by_beginning(const void *left, const void *right)
{
    const struct activation *a = left, *b = right;
    return (a->began_us > b->began_us) - (a->began_us < b->began_us);
}

static int64_t earlier(int64_t a, int64_t b)
{
    if (a == TIME_UNKNOWN || b == TIME_UNKNOWN)
        return a == TIME_UNKNOWN ? b : a;
    return a < b ? a : b;
}

static bool is_near(const struct episode *e, int64_t at_us)
{
    return at_us > e->began_us - EPISODE_HOLD_US &&
           (e->ended_us == TIME_UNKNOWN || at_us < e->ended_us + EPISODE_HOLD_US);
}

static void absorb(struct draft *d, const struct activation *a)
{
    struct episode *e = &d->episode;
    if (e->ended_us != TIME_UNKNOWN && (a->active || a->ended_us >= e->ended_us)) {
        e->end_seen = a->end_seen && (a->ended_us > e->ended_us || e->end_seen);
        e->ended_us = a->active ? TIME_UNKNOWN : a->ended_us;
    }
    e->alarm_us = earlier(e->alarm_us, a->alarm_us);
    d->warning_us = earlier(d->warning_us, a->warning_us);
    e->reports += a->reports;
}

static struct draft draft_of(const struct activation *a)
{
    return (struct draft){
        .episode = {.fault = a->fault,
                    .began_us = a->began_us,
                    .alarm_us = a->alarm_us,
                    .ended_us = a->ended_us,
                    .end_seen = a->end_seen,
                    .reports = a->reports},
        .warning_us = a->warning_us,
    };
}

/* Joins activations, in order of their beginning, that overlap or follow each other within the hold. */
static size_t join(const struct activation *all, size_t count, const bool *taken, struct draft *drafts)
{
    size_t n = 0;
    for (size_t k = 0; k < count; k++) {
        if (!taken[k])
            continue;
        if (n && is_near(&drafts[n - 1].episode, all[k].began_us))
            absorb(&drafts[n - 1], &all[k]);
        else
            drafts[n++] = draft_of(&all[k]);
    }
    return n;
}

static struct draft *near_draft(struct draft *drafts, size_t n, int64_t at_us)
{
    for (size_t k = 0; k < n; k++) {
        if (is_near(&drafts[k].episode, at_us))
            return &drafts[k];
    }
    return NULL;
}

/*
 * The episodes of one kind of fault. A builder's message that comes while the drive itself reports the fault
 * is one more report of it; alone it is a warning of its own.
 */
static size_t drafts_of(const struct activations *s, enum fault_kind fault, struct draft *drafts)
{
    bool *taken = arena_array(s->mem, bool, s->count + 1);
    for (size_t k = 0; k < s->count; k++)
        taken[k] = s->all[k].fault == fault && !s->all[k].builder;
    size_t n = join(s->all, s->count, taken, drafts);

    for (size_t k = 0; k < s->count; k++) {
        const struct activation *a = &s->all[k];
        if (a->fault == fault && a->builder && !near_draft(drafts, n, a->began_us))
            taken[k] = true;
    }
    n = join(s->all, s->count, taken, drafts);
    for (size_t k = 0; k < s->count; k++) {
        const struct activation *a = &s->all[k];
        if (a->fault == fault && !taken[k])
            near_draft(drafts, n, a->began_us)->episode.reports += a->reports;
    }
    return n;
}

static enum episode_outcome outcome_of(const struct draft *d)
{
    const struct episode *e = &d->episode;
    if (e->ended_us == TIME_UNKNOWN)
        return EPISODE_OPEN;
    if (e->alarm_us == TIME_UNKNOWN)
        return EPISODE_CLEARED_BY_ITSELF;
    bool announced = d->warning_us != TIME_UNKNOWN && d->warning_us < e->alarm_us;
    return announced ? EPISODE_ENDED_IN_ALARM : EPISODE_UNANNOUNCED;
}

static int episode_order(const void *left, const void *right)
{
    const struct episode *a = left, *b = right;
    if (a->began_us != b->began_us)
        return a->began_us < b->began_us ? -1 : 1;
    return (int)a->fault - (int)b->fault;
}

void episodes_of(const struct fault_report *reports, size_t count, struct arena *mem,
                 struct episode **episodes, size_t *episode_count)
{
    struct activations s = {.mem = mem};
    int64_t at_us = INT64_MIN;
    for (size_t k = 0; k < count; k++) {
        /* An equipment's clock may be set back: its reports keep their order. A list's time is by another
         * clock. */
        int64_t now_us = reports[k].at_us > at_us ? reports[k].at_us : at_us;
        if (reports[k].level != LEVEL_LISTED)
            at_us = now_us;
        apply(&s, &reports[k], now_us);
    }
    if (s.count)
        qsort(s.all, s.count, sizeof *s.all, by_beginning);

    struct draft *drafts = arena_array(mem, struct draft, s.count + 1);
    *episodes = arena_array(mem, struct episode, s.count + 1);
    *episode_count = 0;
    for (int fault = FAULT_FAN; fault <= FAULT_HEAT_SINK_FAN; fault++) {
        size_t n = drafts_of(&s, (enum fault_kind)fault, drafts);
        for (size_t k = 0; k < n; k++) {
            drafts[k].episode.outcome = outcome_of(&drafts[k]);
            (*episodes)[(*episode_count)++] = drafts[k].episode;
        }
    }
    qsort(*episodes, *episode_count, sizeof **episodes, episode_order);
}

static const char *const outcome_words[] = {
    [EPISODE_OPEN] = "open",
    [EPISODE_CLEARED_BY_ITSELF] = "cleared by itself",
    [EPISODE_ENDED_IN_ALARM] = "ended in alarm",
    [EPISODE_UNANNOUNCED] = "unannounced",
};

const char *episode_outcome_word(enum episode_outcome o)
{
    return outcome_words[o];
}

bool episode_outcome_parse(const char *word, enum episode_outcome *o)
{
    for (int k = EPISODE_OPEN; k <= EPISODE_UNANNOUNCED; k++) {
        if (strcmp(word, outcome_words[k]) == 0) {
            *o = (enum episode_outcome)k;
            return true;
        }
    }
    return false;
}
