#include "record.h"

#include "trouble.h"

#include <stdlib.h>
#include <string.h>

int32_t record_add_detail(struct record *r, struct detail d)
{
    r->details = grown(r->details, r->detail_count, sizeof *r->details);
    r->details[r->detail_count] = d;
    return (int32_t)r->detail_count++;
}

struct world *world_new(const struct options *options)
{
    struct world *w = calloc(1, sizeof *w);

    if (!w)
        die("out of memory");
    w->fleet = fleet_new(options);
    w->records = calloc(w->fleet->source_count, sizeof *w->records);
    if (!w->records)
        die("out of memory");
    w->now_ms = w->fleet->end_ms;
    pthread_rwlock_init(&w->lock, NULL);
    for (size_t s = 0; s < w->fleet->source_count; s++)
        observe_source(w, (int)s);
    trouble_stamp(w);
    readable_mark(w);
    return w;
}

void world_free(struct world *w)
{
    for (size_t s = 0; s < w->fleet->source_count; s++) {
        struct record *r = w->records + s;

        for (int i = 0; i < r->instance_count; i++) {
            free(r->instances[i].at);
            free(r->instances[i].readable);
        }
        free(r->details);
        free(r->live_values);
    }
    free(w->records);
    fleet_free(w->fleet);
    pthread_rwlock_destroy(&w->lock);
    free(w);
}

struct view record_view(const struct world *w, int source, int64_t now_ms)
{
    struct view v = {.source = w->fleet->sources + source, .record = w->records + source, .now_ms = now_ms};
    size_t low = 0, high;

    v.instance = v.record->instances;
    for (int i = 1; i < v.record->instance_count; i++)
        if (v.record->instances[i].from_ms <= now_ms)
            v.instance = v.record->instances + i;
    high = v.instance->count;
    while (low < high) { /* by the moment of arrival */
        size_t middle = (low + high) / 2;
        const struct observation *o = v.instance->at + middle;

        if (o->at_ms + o->delay_ms <= now_ms)
            low = middle + 1;
        else
            high = middle;
    }
    v.last = low;
    v.first = low > v.source->buffer_size ? low - v.source->buffer_size + 1 : 1;
    return v;
}

const struct detail *observation_detail(const struct view *v, const struct observation *o)
{
    const struct detail *d = o->value == NONE ? NULL : v->record->details + o->value;

    return d && d->native ? d : NULL;
}

/* The conditions that are active on one item, as numbers. */
struct active {
    uint64_t *numbers;
    size_t count;
    uint64_t resting; /* the newest normal or unavailable */
};

static const struct detail *detail_of(const struct view *v, uint64_t number)
{
    return observation_detail(v, v->instance->at + number - 1);
}

static bool same_key(const struct view *v, const struct detail *a, const struct detail *b, bool clearing)
{
    if (v->source->style == STYLE_FEED && a->id && b->id)
        return a->id == b->id;
    if (a->id && b->id && !clearing)
        return a->id == b->id;
    return a->native == b->native && (clearing || !a->id == !b->id);
}

static void drop(const struct view *v, struct active *a, const struct detail *d, bool clearing)
{
    size_t kept = 0;

    for (size_t i = 0; i < a->count; i++)
        if (d && !same_key(v, detail_of(v, a->numbers[i]), d, clearing))
            a->numbers[kept++] = a->numbers[i];
    a->count = kept;
}

static void apply(const struct view *v, struct active *a, uint64_t number)
{
    const struct observation *o = v->instance->at + number - 1;
    const struct detail *d = detail_of(v, number);

    if (o->state == STATE_NORMAL || o->state == STATE_UNAVAILABLE) {
        drop(v, a, o->state == STATE_NORMAL ? d : NULL, true);
        a->resting = number;
        return;
    }
    drop(v, a, d, false);
    a->numbers = grown(a->numbers, a->count, sizeof *a->numbers);
    a->numbers[a->count++] = number;
}

uint64_t *record_current(const struct view *v, uint64_t last, size_t *count)
{
    size_t items = v->source->item_count;
    struct active *states = calloc(items + 1, sizeof *states);
    uint64_t *found = NULL;

    if (!states)
        die("out of memory");
    for (uint64_t n = 1; n <= last; n++) {
        const struct observation *o = v->instance->at + n - 1;

        if (v->source->items[o->item].category == CATEGORY_CONDITION)
            apply(v, states + o->item, n);
        else
            states[o->item].resting = n;
    }
    *count = 0;
    for (size_t i = 0; i < items; i++) {
        const struct active *a = states + i;

        for (size_t k = 0; k < a->count; k++) {
            found = grown(found, *count, sizeof *found);
            found[(*count)++] = a->numbers[k];
        }
        if (!a->count && a->resting) {
            found = grown(found, *count, sizeof *found);
            found[(*count)++] = a->resting;
        }
        free(a->numbers);
    }
    free(states);
    return found;
}

const char *word_text(int32_t word)
{
    static const char *const texts[WORDS] = {"AVAILABLE", "ON", "OFF", "ESTABLISHED", "CLOSED"};

    return texts[word];
}

const char *state_word(uint8_t state)
{
    static const char *const words[] = {"", "normal", "warning", "alarm", "unavailable"};

    return words[state];
}

void detail_text(struct out *o, const struct detail *d)
{
    out_text(o, d->native->text);
    if (d->repetition)
        out_format(o, " (%d)", d->repetition + 1);
}

bool detail_id(const struct source *s, const struct observation *o, const struct detail *d,
               char text[static 16])
{
    /* Versions 2.3 and 2.4 know conditionId on warnings and faults only. */
    if (!d || !d->id || (s->style != STYLE_FEED && o->state == STATE_NORMAL))
        return false;
    snprintf(text, 16, "%s%u", s->style == STYLE_FEED ? "e" : "c-", d->id);
    return true;
}

int64_t published_ms(const struct source *s, const struct observation *o)
{
    return o->at_ms + s->clock_offset_ms + o->days_off * MS_PER_DAY;
}
