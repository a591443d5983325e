#include "clock_watch.h"

int64_t clock_watch_step(struct clock_watch *w, int64_t wall_us, int64_t mono_ms)
{
    int64_t ahead_ms = wall_us / 1000 - mono_ms, step_ms = ahead_ms - w->ahead_ms;
    bool is_first = !w->has_begun;
    w->has_begun = true;
    w->ahead_ms = ahead_ms;
    return is_first || (step_ms <= CLOCK_STEP_MS && step_ms >= -CLOCK_STEP_MS) ? 0 : step_ms;
}
