#include "totals.h"

void totals_add(struct totals *t, const struct batch *b)
{
    t->observations += (int64_t)b->observations;
    t->readings += (int64_t)b->reading_count;
    t->conditions += (int64_t)b->condition_count;
    t->events += (int64_t)b->event_count;
    t->gaps += (int64_t)b->gap_count;
    t->set_aside += (int64_t)b->set_aside_count;
}
