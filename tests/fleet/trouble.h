/*
 * What gateways and the networks before them do to answers, on demand: observations that come twice or in any
 * order, answers that come late, stamps of another day. The ledger holds what was published, once.
 */
#ifndef FLEET_TROUBLE_H
#define FLEET_TROUBLE_H

#include "answer.h"

enum {
    TROUBLE_REPEATS = 1, /* observations stand twice in an answer, some from before it too */
    TROUBLE_ORDER = 2,   /* observations of an answer stand in any order */
    TROUBLE_LATE = 4,    /* every third answer is an earlier one: it ends where it was asked to begin */
    TROUBLE_STAMPS = 8   /* some speeds carry a time three days back, a day ahead or three days ahead */
};

/* Words separated by commas: repeats, order, late, stamps. */
bool trouble_parse(const char *words, unsigned *troubles);

/* As page_of, with the troubles that the fleet was made with. */
struct page trouble_page_of(unsigned troubles, const struct view *v, const struct request *r);

/* Gives some speeds wrong stamps, if the fleet was made with that trouble. */
void trouble_stamp(struct world *w);

#endif
