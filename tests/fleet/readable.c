#include "record.h"

#include <stdlib.h>

static void mark_span(const struct view *v, uint64_t from, uint64_t to)
{
    for (uint64_t n = from; n <= to; n++)
        v->instance->readable[n - 1] = 1;
}

/* At first contact and after a loss the client also takes the present state, some of it older than the
 * buffer. */
static void mark_current(const struct view *v)
{
    size_t count;
    uint64_t *numbers = record_current(v, v->last, &count);

    for (size_t i = 0; i < count; i++)
        v->instance->readable[numbers[i] - 1] = 1;
    free(numbers);
}

void readable_mark(struct world *w)
{
    const struct fleet *f = w->fleet;

    for (size_t s = 0; s < f->source_count; s++) {
        struct record *r = w->records + s;
        struct view then, now;

        for (int i = 0; i < r->instance_count; i++) {
            r->instances[i].readable = calloc(r->instances[i].count + 1, 1);
            if (!r->instances[i].readable)
                die("out of memory");
        }
        then = record_view(w, (int)s, f->first_read_ms);
        now = record_view(w, (int)s, f->end_ms);
        mark_span(&then, then.first, then.last);
        mark_current(&then);
        if (now.instance == then.instance && now.first <= then.last + 1) {
            mark_span(&now, then.last + 1, now.last);
            continue;
        }
        mark_span(&now, now.first, now.last);
        mark_current(&now);
    }
}
