#include "trouble.h"

#include <stdlib.h>
#include <string.h>

enum { REPEAT_EVERY = 3, REPEATED_BEFORE = 5, LATE_EVERY = 3 };

bool trouble_parse(const char *words, unsigned *troubles)
{
    static const char *const known[] = {"repeats", "order", "late", "stamps"};

    *troubles = 0;
    for (;;) {
        size_t length = strcspn(words, ",");
        unsigned found = 0;

        for (unsigned i = 0; i < sizeof known / sizeof *known; i++)
            if (strlen(known[i]) == length && strncmp(words, known[i], length) == 0)
                found = 1u << i;
        if (!found)
            return false;
        *troubles |= found;
        if (!words[length])
            return true;
        words += length + 1;
    }
}

/* Another number at each call, also from several threads (splitmix64). */
static uint64_t dice_throw(void)
{
    static uint64_t state;
    uint64_t z = __atomic_add_fetch(&state, UINT64_C(0x9e3779b97f4a7c15), __ATOMIC_RELAXED);

    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

static uint64_t lowest(const struct page *p)
{
    uint64_t low = p->count ? p->numbers[0] : 0;

    for (size_t i = 1; i < p->count; i++)
        if (p->numbers[i] < low)
            low = p->numbers[i];
    return low;
}

static void repeat(struct page *p, const struct view *v)
{
    size_t count = p->count;
    uint64_t low = lowest(p);
    uint64_t *longer = realloc(p->numbers, (2 * count + REPEATED_BEFORE + 1) * sizeof *longer);

    if (!longer)
        die("out of memory");
    p->numbers = longer;
    for (size_t i = 0; i < count; i += REPEAT_EVERY)
        p->numbers[p->count++] = p->numbers[i];
    for (uint64_t n = 1; n <= REPEATED_BEFORE && low >= v->first + n; n++)
        p->numbers[p->count++] = low - n;
}

static void shuffle(struct page *p)
{
    for (size_t i = p->count; i > 1; i--) {
        size_t other = (size_t)(dice_throw() % i);
        uint64_t number = p->numbers[i - 1];

        p->numbers[i - 1] = p->numbers[other];
        p->numbers[other] = number;
    }
}

/* What a cache on the way gives out: the answer to an earlier request, which ends where this one begins. */
static struct page earlier_page(const struct view *v, const struct request *r)
{
    int64_t from = strtoll(r->from, NULL, 10), count = r->count ? strtoll(r->count, NULL, 10) : 100;
    char from_text[24], count_text[24];
    struct request earlier = *r;

    if (from <= (int64_t)v->first || from > (int64_t)v->last + 1 || count < 1)
        return page_of(v, r);
    if (count > from - (int64_t)v->first)
        count = from - (int64_t)v->first;
    snprintf(from_text, sizeof from_text, "%lld", (long long)(from - count));
    snprintf(count_text, sizeof count_text, "%lld", (long long)count);
    earlier.from = from_text;
    earlier.count = count_text;
    return page_of(v, &earlier);
}

struct page trouble_page_of(unsigned troubles, const struct view *v, const struct request *r)
{
    static unsigned asked;
    bool late = troubles & TROUBLE_LATE && r->kind == REQUEST_SAMPLE && r->from && !r->to &&
                __atomic_add_fetch(&asked, 1, __ATOMIC_RELAXED) % LATE_EVERY == 0;
    struct page p = late ? earlier_page(v, r) : page_of(v, r);

    if (p.error_code)
        return p;
    if (troubles & TROUBLE_REPEATS)
        repeat(&p, v);
    if (troubles & TROUBLE_ORDER)
        shuffle(&p);
    return p;
}

static int8_t days_off(uint64_t number)
{
    return number % 19 == 0 ? -3 : number % 29 == 0 ? 1 : number % 31 == 0 ? 3 : 0;
}

void trouble_stamp(struct world *w)
{
    if (!(w->fleet->options.troubles & TROUBLE_STAMPS))
        return;
    for (size_t s = 0; s < w->fleet->source_count; s++)
        for (int i = 0; i < w->records[s].instance_count; i++) {
            const struct instance *in = w->records[s].instances + i;

            for (size_t n = 1; n <= in->count; n++)
                if (w->fleet->sources[s].items[in->at[n - 1].item].kind == ITEM_SPEED)
                    in->at[n - 1].days_off = days_off(n);
        }
}
