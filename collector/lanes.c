#include "lanes.h"

enum {
    LONG_ANSWER_MS = 1000, /* makes a source doubtful */
    SLOW_ROOM = 4,         /* so many times the places are there when answers take long */
};

void lanes_init(struct lanes *l, size_t most)
{
    *l = (struct lanes){.most = most};
    for (int lane = 0; lane < LANES; lane++)
        l->due[lane] = schedule_new();
}

void lanes_release(struct lanes *l)
{
    for (int lane = 0; lane < LANES; lane++) {
        for (struct station *st; l->due[lane] && (st = schedule_take(l->due[lane], INT64_MAX));)
            if (st->gone)
                station_free(st);
        schedule_free(l->due[lane]);
    }
}

size_t lanes_room(const struct lanes *l)
{
    return SLOW_ROOM * l->most;
}

void lanes_put(struct lanes *l, struct station *st, int64_t due_ms)
{
    st->lane = st->failures ? LANE_DOUBTFUL : LANE_SOUND;
    schedule_put(l->due[st->lane], due_ms, st);
}

static bool has_place(const struct lanes *l, int lane)
{
    size_t all = l->under_way[LANE_SOUND] + l->under_way[LANE_DOUBTFUL];
    if (lane == LANE_DOUBTFUL)
        return l->under_way[lane] < (l->most + 1) / 2 && all < l->most;
    return l->under_way[lane] < l->most && all < lanes_room(l);
}

struct station *lanes_next(struct lanes *l, int64_t now_ms)
{
    for (int lane = 0; lane < LANES; lane++) {
        struct station *st;
        while (has_place(l, lane) && (st = schedule_take(l->due[lane], now_ms))) {
            if (!st->gone)
                return st;
            station_free(st);
        }
    }
    return NULL;
}

int64_t lanes_next_ms(const struct lanes *l, int64_t at_latest_ms)
{
    for (int lane = 0; lane < LANES; lane++) {
        int64_t due_ms = schedule_due_ms(l->due[lane]);
        if (due_ms < at_latest_ms && has_place(l, lane))
            at_latest_ms = due_ms;
    }
    return at_latest_ms;
}

void lanes_ask(struct lanes *l, struct station *st, int64_t now_ms)
{
    st->asked_ms = now_ms;
    l->under_way[st->lane]++;
}

void lanes_answered(struct lanes *l, const struct station *st)
{
    l->under_way[st->lane]--;
}

void lanes_doubt(struct lanes *l, const struct roster *roster, int64_t now_ms)
{
    if (now_ms - l->looked_ms < LONG_ANSWER_MS / 4)
        return;
    l->looked_ms = now_ms;
    for (size_t k = 0; k < roster->count; k++) {
        struct station *st = roster->stations[k];
        if (!st->in_flight || st->lane != LANE_SOUND || now_ms - st->asked_ms < LONG_ANSWER_MS)
            continue;
        st->lane = LANE_DOUBTFUL;
        l->under_way[LANE_SOUND]--;
        l->under_way[LANE_DOUBTFUL]++;
    }
}
