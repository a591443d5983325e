/*
 * The known word that somebody most likely meant: for "did you mean" in messages.
 */
#ifndef BASE_NEAREST_H
#define BASE_NEAREST_H

#include <stddef.h>

/*
 * A search that is fed one candidate at a time. A candidate is close when at most a third of the word's
 * letters (at least one) must be changed, left out, put in or swapped with its neighbour; case does not
 * count.
 */
struct nearest {
    const char *word;
    const char *best; /* NULL: nothing close so far */
    int distance;     /* of best; before the first: the largest that counts as close, plus 1 */
};

struct nearest nearest_to(const char *word);
void nearest_try(struct nearest *n, const char *candidate);
/* The nearest of an array that NULL ends, or NULL. */
const char *nearest_of(const char *word, const char *const *words);

#endif
