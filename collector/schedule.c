#include "schedule.h"

#include "base/err.h"
#include "base/hash.h"

#include <stdlib.h>

struct entry {
    int64_t due_ms;
    void *tag;
};

struct schedule {
    struct entry *heap;
    size_t count, capacity;
};

uint64_t schedule_hash(const char *key)
{
    uint64_t hash = hash_text(HASH_BEGIN, key);
    /* The last step of splitmix64: keys that differ in their last letter only get unlike numbers. */
    hash = (hash ^ (hash >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    hash = (hash ^ (hash >> 27)) * UINT64_C(0x94d049bb133111eb);
    return hash ^ (hash >> 31);
}

int64_t schedule_next_ms(const char *key, int64_t period_ms, int64_t now_ms)
{
    int64_t phase = (int64_t)(schedule_hash(key) % (uint64_t)period_ms);
    int64_t since = (now_ms - phase) % period_ms;
    if (since < 0)
        since += period_ms;
    return now_ms - since + period_ms;
}

int64_t schedule_retry_ms(const char *key, int failures, int64_t now_ms)
{
    int64_t longest = BACKOFF_FIRST_MS;
    for (int k = 0; k < failures && longest < BACKOFF_LAST_MS; k++)
        longest *= 2;
    if (longest > BACKOFF_LAST_MS)
        longest = BACKOFF_LAST_MS;
    uint64_t mixed = schedule_hash(key) * UINT64_C(0x9e3779b97f4a7c15) + (uint64_t)failures +
                     (uint64_t)now_ms * UINT64_C(0xd1342543de82ef95);
    int64_t part = (int64_t)((mixed >> 16) % (uint64_t)(longest - BACKOFF_FIRST_MS + 1));
    return now_ms + BACKOFF_FIRST_MS + part;
}

struct schedule *schedule_new(void)
{
    struct schedule *s = calloc(1, sizeof *s);
    if (!s)
        err_no_memory();
    return s;
}

void schedule_free(struct schedule *s)
{
    if (!s)
        return;
    free(s->heap);
    free(s);
}

static void swap(struct schedule *s, size_t a, size_t b)
{
    struct entry kept = s->heap[a];
    s->heap[a] = s->heap[b];
    s->heap[b] = kept;
}

void schedule_put(struct schedule *s, int64_t due_ms, void *tag)
{
    if (s->count == s->capacity) {
        s->capacity = s->capacity ? s->capacity * 2 : 64;
        s->heap = realloc(s->heap, s->capacity * sizeof *s->heap);
        if (!s->heap)
            err_no_memory();
    }
    size_t at = s->count++;
    s->heap[at] = (struct entry){due_ms, tag};
    for (; at && s->heap[at].due_ms < s->heap[(at - 1) / 2].due_ms; at = (at - 1) / 2)
        swap(s, at, (at - 1) / 2);
}

void *schedule_take(struct schedule *s, int64_t now_ms)
{
    if (!s->count || s->heap[0].due_ms > now_ms)
        return NULL;
    void *tag = s->heap[0].tag;
    s->heap[0] = s->heap[--s->count];
    for (size_t at = 0;;) {
        size_t least = at, left = 2 * at + 1, right = left + 1;
        if (left < s->count && s->heap[left].due_ms < s->heap[least].due_ms)
            least = left;
        if (right < s->count && s->heap[right].due_ms < s->heap[least].due_ms)
            least = right;
        if (least == at)
            return tag;
        swap(s, at, least);
        at = least;
    }
}

int64_t schedule_due_ms(const struct schedule *s)
{
    return s->count ? s->heap[0].due_ms : INT64_MAX;
}

size_t schedule_count(const struct schedule *s)
{
    return s->count;
}
