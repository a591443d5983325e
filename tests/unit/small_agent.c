#include "small_agent.h"

#include <check.h>

#include <stdlib.h>
#include <string.h>

static struct arena *mem;

void agents_use(struct arena *arena)
{
    mem = arena;
}

static uint64_t oldest(const struct agent *a)
{
    return a->last > a->size ? a->last - a->size + 1 : 1;
}

static const char *item_of(uint64_t sequence)
{
    return sequence % 3 ? "busy" : "calm";
}

struct document *agent_header(const struct agent *a)
{
    struct document *d = arena_alloc(mem, sizeof *d);
    *d = (struct document){.kind = DOCUMENT_OBSERVATIONS,
                           .instance = a->instance,
                           .created_us = 5,
                           .buffer_size = a->size,
                           .first_sequence = oldest(a),
                           .last_sequence = a->last,
                           .next_sequence = a->last + 1,
                           .test_data = a->test_data};
    return d;
}

static void add(struct document *d, uint64_t sequence)
{
    d->observations = arena_grow(mem, d->observations, d->count, d->count + 1, sizeof *d->observations);
    d->observations[d->count++] = (struct observation){.sequence = sequence, .item = item_of(sequence)};
}

struct document *agent_error(const struct agent *a, enum source_error code)
{
    struct document *d = arena_alloc(mem, sizeof *d);
    *d = (struct document){.kind = DOCUMENT_ERROR,
                           .instance = a->error_header ? a->instance : "",
                           .created_us = TIME_UNKNOWN,
                           .error = code,
                           .error_text = "CODE: text"};
    return d;
}

struct document *agent_current(const struct agent *a)
{
    struct document *d = agent_header(a);
    uint64_t calm = a->last / 3 * 3, busy = a->last % 3 ? a->last : a->last - 1;
    if (calm)
        add(d, calm < busy ? calm : busy);
    if (busy)
        add(d, calm < busy ? busy : calm);
    return d;
}

struct document *agent_sample(const struct agent *a, uint64_t from, bool has_from, uint64_t count)
{
    if (count > a->size)
        return agent_error(a, SOURCE_ERROR_OUT_OF_RANGE);
    if (a->most && count > a->most)
        return agent_error(a, SOURCE_ERROR_TOO_MANY);
    uint64_t first = has_from ? from : oldest(a);
    bool gone = first<oldest(a), beyond = first> a->last + (a->strict ? 0 : 1);
    if ((gone && !a->clips) || beyond)
        return agent_error(a, SOURCE_ERROR_OUT_OF_RANGE);
    if (gone)
        first = oldest(a);
    struct document *d = agent_header(a);
    for (; first <= a->last && d->count < count; first++)
        add(d, first);
    d->next_sequence = first;
    return d;
}

struct document *agent_serve(const struct agent *a, const char *url)
{
    const char *from = strstr(url, "from="), *count = strstr(url, "count=");
    if (strstr(url, "/current"))
        return agent_current(a);
    ck_assert_ptr_nonnull(strstr(url, "/sample?"));
    ck_assert_ptr_nonnull(count);
    return agent_sample(a, from ? strtoull(from + 5, NULL, 10) : 0, from != NULL,
                        strtoull(count + 6, NULL, 10));
}
