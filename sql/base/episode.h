/*
 * Episodes: one fan fault on one drive, from first warning to all clear, made from the conditions that were
 * reported.
 *
 * Pure. Conditions are fed in order of time (of sequence within one source); several may be active at once,
 * on several axes of the drive; an episode lasts while any is active. How conditions become active and clear
 * follows MTConnect part 2, "Condition", as told beside the code.
 */
#ifndef BASE_EPISODE_H
#define BASE_EPISODE_H

#include "base/arena.h"
#include "base/clock.h"

enum fault_kind { FAULT_FAN, FAULT_HEAT_SINK_FAN };
enum fault_level {
    LEVEL_NORMAL,
    LEVEL_WARNING,
    LEVEL_ALARM,
    LEVEL_UNAVAILABLE,
    LEVEL_LISTED /* all that was active on the item, told after a time without observations */
};
enum episode_outcome { EPISODE_OPEN, EPISODE_CLEARED_BY_ITSELF, EPISODE_ENDED_IN_ALARM, EPISODE_UNANNOUNCED };

/* What the register's code map makes of a native code. */
enum code_kind {
    CODE_FAN_WARNING,
    CODE_FAN_ALARM,
    CODE_HEAT_SINK_FAN_ALARM,
    CODE_BUILDER_FAN_MESSAGE,
    CODE_OTHER
};

struct fault_report {
    int64_t at_us;
    const char *item; /* what said it, unique within the drive's reports: source, device and data item */
    const char *id;   /* conditionId, else native code, else "" */
    const char *code; /* native code; NULL when not given */
    enum fault_level level;
    enum code_kind kind; /* of a warning or alarm */
    const char *listed;  /* LEVEL_LISTED: the ids, each with a newline behind it */
};

struct episode {
    enum fault_kind fault;
    int64_t began_us;
    int64_t alarm_us; /* TIME_UNKNOWN: no alarm */
    int64_t ended_us; /* TIME_UNKNOWN: still open */
    enum episode_outcome outcome;
    bool end_seen; /* false: the clearing fell into a time without observations */
    int reports;   /* warnings and alarms, of all axes */
};

/* Two activations of one drive closer than this are one episode: axes of a drive do not report in the same
 * instant. */
#define EPISODE_HOLD_US (10 * US_PER_S)

/* All episodes of one drive, in order of their beginning. Never overlapping within one kind of fault. */
void episodes_of(const struct fault_report *reports, size_t count, struct arena *mem,
                 struct episode **episodes, size_t *episode_count);

/* The words that stand in the database and on paper. */
const char *episode_outcome_word(enum episode_outcome o);
bool episode_outcome_parse(const char *word, enum episode_outcome *o);

#endif
