/*
 * Where a series changes: the division into segments, each a level or a line, whose squares and a penalty for
 * each segment are least together (optimal partitioning; Jackson et al. 2005). Pure. An arena given is
 * scratch.
 */
#ifndef REPORTER_TREND_CHANGE_H
#define REPORTER_TREND_CHANGE_H

#include "base/arena.h"

struct segments {
    bool sloped;    /* lines, else levels */
    size_t least;   /* points of a segment */
    double noise;   /* of a point; squares are counted in squares of it */
    double penalty; /* of a segment */
};

/* Index of the first point of each segment to 'from', which has room for n; returns their number. x rises. */
size_t trend_segments(const struct segments *how, const double *x, const double *y, size_t n, size_t *from,
                      struct arena *mem);

/* A step between neighbouring segments: from what the earlier one leads to, to what the later one begins
 * with. */
struct step {
    size_t at; /* first point after it; 0: none */
    double before, after;
};
/* The newest step of at least some size, up or down. */
struct step trend_last_step(const struct segments *how, const double *x, const double *y, size_t n,
                            double least, struct arena *mem);

#endif
