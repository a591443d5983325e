#include "pile.h"

#include "base/clock.h"

#include <string.h>

bool pile_block(struct pile *p, const uint8_t *block, size_t bytes, int64_t received_us, struct err *err)
{
    struct reading *readings;
    size_t count;
    if (!block_decode(block, bytes, p->mem, &readings, &count, err))
        return false;
    if (p->count + count > p->capacity) {
        size_t capacity = 2 * (p->count + count);
        p->all = arena_grow(p->mem, p->all, p->count, capacity, sizeof *p->all);
        p->capacity = capacity;
    }
    for (size_t k = 0; k < count; k++)
        p->all[p->count++] = (struct piled){readings[k], received_us};
    return true;
}

static bool comes_before(const struct piled *a, const struct piled *b)
{
    if (a->reading.fan_no != b->reading.fan_no)
        return a->reading.fan_no < b->reading.fan_no;
    if (a->reading.at_us != b->reading.at_us)
        return a->reading.at_us < b->reading.at_us;
    return a->received_us < b->received_us;
}

/* Merges two sorted runs, [first, middle) and [middle, end), into 'to'. */
static void merge(const struct piled *from, struct piled *to, size_t first, size_t middle, size_t end)
{
    size_t a = first, b = middle;
    for (size_t k = first; k < end; k++) {
        bool take_b = a == middle || (b < end && comes_before(&from[b], &from[a]));
        to[k] = take_b ? from[b++] : from[a++];
    }
}

/* A merge sort: stable, and its order of work does not depend on the data. */
void pile_sort(struct pile *p)
{
    struct piled *from = p->all, *to = arena_array(p->mem, struct piled, p->count);
    for (size_t run = 1; run < p->count; run *= 2) {
        for (size_t first = 0; first < p->count; first += 2 * run) {
            size_t middle = first + run < p->count ? first + run : p->count;
            size_t end = first + 2 * run < p->count ? first + 2 * run : p->count;
            merge(from, to, first, middle, end);
        }
        struct piled *kept = from;
        from = to;
        to = kept;
    }
    if (from != p->all) {
        p->all = from;
        p->capacity = p->count;
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
        .received_us = first->received_us,
        .readings = first,
    };
    int64_t end_us = u->starts_us + (is_day ? US_PER_DAY : US_PER_HOUR);
    for (; *at < p->count; ++*at, u->count++) {
        const struct piled *r = &p->all[*at];
        if (r->reading.fan_no != u->fan_no || r->reading.at_us >= end_us)
            break;
        u->received_us = r->received_us > u->received_us ? r->received_us : u->received_us;
    }
    return true;
}
