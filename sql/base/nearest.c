#include "base/nearest.h"

#include <ctype.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_WORD = 64 };

struct nearest nearest_to(const char *word)
{
    size_t n = strlen(word);
    return (struct nearest){.word = word, .distance = n < 3 ? 2 : (int)(n / 3) + 1};
}

static int least(int a, int b)
{
    return a < b ? a : b;
}

static bool same(char a, char b)
{
    return tolower((unsigned char)a) == tolower((unsigned char)b);
}

/* Optimal string alignment distance, by rows: 'row' is that of a[0..i), 'before' and 'earlier' the two above.
 */
static void fill_row(int *row, const int *before, const int *earlier, const char *a, size_t i, const char *b,
                     size_t b_length)
{
    row[0] = (int)i;
    for (size_t j = 1; j <= b_length; j++) {
        bool swapped = i > 1 && j > 1 && same(a[i - 1], b[j - 2]) && same(a[i - 2], b[j - 1]);
        row[j] = least(least(before[j] + 1, row[j - 1] + 1), before[j - 1] + !same(a[i - 1], b[j - 1]));
        if (swapped)
            row[j] = least(row[j], earlier[j - 2] + 1);
    }
}

static int distance(const char *a, size_t a_length, const char *b, size_t b_length)
{
    int rows[3][MAX_WORD + 1];
    for (size_t j = 0; j <= b_length; j++)
        rows[0][j] = (int)j;
    for (size_t i = 1; i <= a_length; i++)
        fill_row(rows[i % 3], rows[(i + 2) % 3], rows[(i + 1) % 3], a, i, b, b_length);
    return rows[a_length % 3][b_length];
}

void nearest_try(struct nearest *n, const char *candidate)
{
    size_t word = strlen(n->word), other = strlen(candidate);
    size_t apart = word > other ? word - other : other - word;
    if (word > MAX_WORD || other > MAX_WORD || apart > (size_t)n->distance)
        return;
    int d = distance(n->word, word, candidate, other);
    /* Of two that are equally near the first in order, so that the order of the candidates does not count. */
    if (d < n->distance || (n->best && d == n->distance && strcmp(candidate, n->best) < 0)) {
        n->best = candidate;
        n->distance = d;
    }
}

const char *nearest_of(const char *word, const char *const *words)
{
    struct nearest n = nearest_to(word);
    for (; *words; words++)
        nearest_try(&n, *words);
    return n.best;
}
