#include "answer.h"

#include <errno.h>
#include <stdlib.h>

static bool whole(const char *text, int64_t *value)
{
    char *end;

    errno = 0;
    *value = strtoll(text, &end, 10);
    return *text && !*end && !errno;
}

static struct page refused(unsigned status, const char *code, const char *text)
{
    return (struct page){.status = status, .error_code = code, .error_text = text};
}

static struct page out_of_range(const char *text)
{
    return refused(404, "OUT_OF_RANGE", text);
}

static bool wanted(const struct view *v, uint64_t number, int device)
{
    return device == NONE || v->source->items[v->instance->at[number - 1].item].device == device;
}

/* At most 'count' numbers from 'from' upwards to 'to'; those of other devices do not count. */
static struct page forwards(const struct view *v, uint64_t from, uint64_t to, uint64_t count, int device)
{
    struct page p = {.status = 200};

    p.numbers = malloc((size_t)(count < to - from + 1 ? count : to + 1 - from) * sizeof *p.numbers + 8);
    if (!p.numbers)
        die("out of memory");
    for (p.next = from; p.next <= to && p.count < count; p.next++)
        if (wanted(v, p.next, device))
            p.numbers[p.count++] = p.next;
    return p;
}

static struct page backwards(const struct view *v, uint64_t from, uint64_t count, int device)
{
    uint64_t low = from >= v->first + count ? from - count + 1 : v->first;
    struct page p = forwards(v, low, from, count, device);

    p.next = low > v->first ? low - 1 : v->first;
    return p;
}

static struct page sample(const struct view *v, const struct request *r)
{
    int64_t count = 100, from = 0, to = (int64_t)v->last;

    if ((r->count && !whole(r->count, &count)) || (r->from && !whole(r->from, &from)) ||
        (r->to && !whole(r->to, &to)))
        return refused(400, "INVALID_REQUEST", "from, count and to are whole numbers");
    if (count == 0 || llabs(count) > (int64_t)v->source->buffer_size)
        return out_of_range("count must be from 1 to the buffer's size");
    if (count < 0 && r->to)
        return refused(400, "INVALID_REQUEST", "to does not go with a negative count");
    if (!r->from || from == 0)
        from = count < 0 ? (int64_t)v->last : (int64_t)v->first;
    if (from < (int64_t)v->first)
        return out_of_range("from is older than the oldest observation held");
    if (from > (int64_t)v->last + 1 ||
        (from == (int64_t)v->last + 1 && v->last && !v->source->empty_when_new))
        return out_of_range("from is newer than the newest observation held");
    if (to > (int64_t)v->last || (r->to && to <= from))
        return out_of_range("to must be above from and not beyond the newest observation held");
    if (count < 0)
        return backwards(v, (uint64_t)from, (uint64_t)-count, r->device);
    return forwards(v, (uint64_t)from, (uint64_t)to, (uint64_t)count, r->device);
}

static struct page current(const struct view *v, const struct request *r)
{
    struct page p = {.status = 200};
    int64_t at = (int64_t)v->last;
    size_t kept = 0;

    if (r->at && !whole(r->at, &at))
        return refused(400, "INVALID_REQUEST", "at is a whole number");
    if (r->at && (at < (int64_t)v->first || at > (int64_t)v->last))
        return out_of_range("at is not within the buffer");
    p.numbers = record_current(v, (uint64_t)at, &p.count);
    p.next = v->last + 1;
    for (size_t i = 0; i < p.count; i++)
        if (wanted(v, p.numbers[i], r->device))
            p.numbers[kept++] = p.numbers[i];
    p.count = kept;
    return p;
}

struct page page_of(const struct view *v, const struct request *r)
{
    if (r->path)
        return refused(400, v->source->style == STYLE_COMPONENT ? "INVALID_XPATH" : "INVALID_PATH",
                       "this agent evaluates no path");
    return r->kind == REQUEST_CURRENT ? current(v, r) : sample(v, r);
}
