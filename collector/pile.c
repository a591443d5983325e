#include "pile.h"

#include "base/clock.h"

#include <stdlib.h>
#include <string.h>

static void *resized(void *old, size_t count, size_t size)
{
    void *new = reallocarray(old, count, size);
    if (!new)
        err_no_memory();
    return new;
}

static void make_room(struct pile *p, size_t more)
{
    if (p->count + more <= p->capacity)
        return;
    p->capacity = p->count + more + p->capacity / 2;
    p->all = resized(p->all, p->capacity, sizeof *p->all);
    free(p->room);
    p->room = NULL;
}

static struct piled *room_to_sort(struct pile *p)
{
    if (!p->room && p->capacity)
        p->room = resized(NULL, p->capacity, sizeof *p->room);
    return p->room;
}

void pile_free(struct pile *p)
{
    free(p->all);
    free(p->room);
    free(p->origins);
    *p = (struct pile){0};
}

void pile_from(struct pile *p, int64_t journal_no, int64_t received_us)
{
    if (p->origin_count == p->origin_capacity) {
        size_t capacity = 2 * p->origin_count + 64;
        p->origins = resized(p->origins, capacity, sizeof *p->origins);
        p->origin_capacity = capacity;
    }
    p->origins[p->origin_count++] = (struct origin){journal_no, received_us};
}

void pile_add(struct pile *p, const struct reading *r)
{
    make_room(p, 1);
    p->all[p->count++] = (struct piled){*r, (uint32_t)p->origin_count - 1};
}

bool pile_block(struct pile *p, const uint8_t *block, size_t bytes, int64_t received_us, struct arena *mem,
                struct err *err)
{
    struct reading *readings;
    size_t count;
    if (!block_decode(block, bytes, mem, &readings, &count, err))
        return false;
    pile_from(p, 0, received_us);
    make_room(p, count);
    for (size_t k = 0; k < count; k++)
        pile_add(p, &readings[k]);
    return true;
}

/* A radix sort, the lowest digits first: its time grows with the readings only, and it keeps the order of
 * what is alike. A digit in which all are alike (fans of one range have few that differ) costs no copy. */
enum { DIGIT_BITS = 11, DIGITS = 1 << DIGIT_BITS };

static uint32_t key_of(const struct piled *x, bool by_fan)
{
    return by_fan ? x->reading.fan_no : x->origin;
}

static void sort_by_key(struct pile *p, bool by_fan)
{
    struct piled *from = p->all, *to = room_to_sort(p);
    for (int shift = 0; shift < 32; shift += DIGIT_BITS) {
        size_t starts[DIGITS] = {0}, sum = 0, most = 0;
        for (size_t k = 0; k < p->count; k++)
            starts[key_of(&from[k], by_fan) >> shift & (DIGITS - 1)]++;
        for (int d = 0; d < DIGITS; d++) {
            size_t n = starts[d];
            most = n > most ? n : most;
            starts[d] = sum;
            sum += n;
        }
        if (most == p->count)
            continue;
        for (size_t k = 0; k < p->count; k++)
            to[starts[key_of(&from[k], by_fan) >> shift & (DIGITS - 1)]++] = from[k];
        struct piled *kept = from;
        from = to;
        to = kept;
    }
    p->all = from;
    p->room = to;
}

void pile_sort_by_fan(struct pile *p)
{
    sort_by_key(p, true);
}

void pile_sort_by_origin(struct pile *p)
{
    sort_by_key(p, false);
}

static bool comes_before(const struct pile *p, const struct piled *a, const struct piled *b)
{
    if (a->reading.at_us != b->reading.at_us)
        return a->reading.at_us < b->reading.at_us;
    return p->origins[a->origin].journal_no < p->origins[b->origin].journal_no;
}

/* Merges two sorted runs, [first, middle) and [middle, end), into 'to'. */
static void merge(const struct pile *p, const struct piled *from, struct piled *to, size_t first,
                  size_t middle, size_t end)
{
    size_t a = first, b = middle;
    for (size_t k = first; k < end; k++) {
        bool take_b = a == middle || (b < end && comes_before(p, &from[b], &from[a]));
        to[k] = take_b ? from[b++] : from[a++];
    }
}

/* A merge sort of one fan's readings, in place. */
static void sort_fan(const struct pile *p, struct piled *readings, struct piled *room, size_t count)
{
    struct piled *from = readings, *to = room;
    for (size_t run = 1; run < count; run *= 2) {
        for (size_t first = 0; first < count; first += 2 * run) {
            size_t middle = first + run < count ? first + run : count;
            size_t end = first + 2 * run < count ? first + 2 * run : count;
            merge(p, from, to, first, middle, end);
        }
        struct piled *kept = from;
        from = to;
        to = kept;
    }
    if (from != readings)
        memcpy(readings, from, count * sizeof *from);
}

/* Most readings arrive in order of time. */
static bool is_sorted(const struct pile *p, const struct piled *readings, size_t count)
{
    for (size_t k = 1; k < count; k++)
        if (comes_before(p, &readings[k], &readings[k - 1]))
            return false;
    return true;
}

void pile_sort(struct pile *p)
{
    pile_sort_by_fan(p);
    struct piled *room = room_to_sort(p);
    for (size_t first = 0, end; first < p->count; first = end) {
        for (end = first + 1; end < p->count; end++)
            if (p->all[end].reading.fan_no != p->all[first].reading.fan_no)
                break;
        if (!is_sorted(p, &p->all[first], end - first))
            sort_fan(p, &p->all[first], room, end - first);
    }
}

static int64_t hour_start_us(int64_t at_us)
{
    int64_t day_us = day_start_us(day_of(at_us));
    return day_us + (at_us - day_us) / US_PER_HOUR * US_PER_HOUR;
}

bool pile_unit(const struct pile *p, size_t *at, struct unit *u)
{
    if (*at >= p->count)
        return false;
    const struct piled *first = &p->all[*at];
    bool is_day = first->reading.at_us < p->open_from_us;
    *u = (struct unit){
        .fan_no = first->reading.fan_no,
        .starts_us =
            is_day ? day_start_us(day_of(first->reading.at_us)) : hour_start_us(first->reading.at_us),
        .is_day = is_day,
        .received_us = p->origins[first->origin].received_us,
        .readings = first,
    };
    int64_t end_us = u->starts_us + (is_day ? US_PER_DAY : US_PER_HOUR);
    for (; *at < p->count; ++*at, u->count++) {
        const struct piled *r = &p->all[*at];
        if (r->reading.fan_no != u->fan_no || r->reading.at_us >= end_us)
            break;
        int64_t received_us = p->origins[r->origin].received_us;
        u->received_us = received_us > u->received_us ? received_us : u->received_us;
    }
    return true;
}
