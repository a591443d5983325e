#include "life_limits.h"

#include "numeric.h"

/*
 * Half of the 95 % quantile of chi-square with one degree of freedom bounds the drop: the signed root of
 * twice the drop reaches NORMAL_95. That root is nearly a straight line, so Newton's steps on it, kept within
 * the known bracket, arrive in a few rounds.
 */
double life_limit(life_walk_fn *walk, void *context, double se)
{
    enum { ROUNDS = 60, FARTHEST = 60 };
    double inside = 0, outside = D_INF, distance = NORMAL_95 * (se > 0 && se < 5 ? se : 1);

    for (int i = 0; i < ROUNDS; i++) {
        double drop, fall;
        if (distance > FARTHEST || !walk(context, distance, &drop, &fall))
            return D_NAN;
        double root = sqrt(fmax(0, 2 * drop)), slope = fall / root;
        if (fabs(root - NORMAL_95) < 1e-8)
            return distance;
        if (root > NORMAL_95)
            outside = distance;
        else
            inside = distance;
        double next = slope > 0 ? distance + (NORMAL_95 - root) / slope : D_INF;
        if (!(next > inside && next < outside))
            next = isinf(outside) ? 2 * distance : (inside + outside) / 2;
        distance = fmin(next, 3 * distance);
    }
    return D_NAN;
}
