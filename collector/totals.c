#include "totals.h"

/* Rows may be told with another batch of their source than their own. */
static int64_t less(size_t rows, size_t refused)
{
    return (int64_t)rows - (int64_t)refused;
}

void totals_add(struct totals *t, const struct batch *b, const struct refused_rows *refused)
{
    t->observations += (int64_t)b->observations;
    t->readings += less(b->reading_count, refused->readings);
    t->conditions += less(b->condition_count, refused->conditions);
    t->events += less(b->event_count, refused->events);
    t->gaps += less(b->gap_count, refused->gaps);
    t->set_aside += (int64_t)(b->set_aside_count + refused->readings + refused->conditions + refused->events +
                              refused->gaps);
}
