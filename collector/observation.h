/*
 * What a source said in one answer, whatever its format: the common output of the decoders.
 *
 * Nothing is interpreted here beyond the protocol: items are not yet fans or drives (binding.h does that),
 * values are text as sent. Observations stand in rising order of sequence.
 */
#ifndef COLLECTOR_OBSERVATION_H
#define COLLECTOR_OBSERVATION_H

#include "base/arena.h"
#include "base/clock.h"

#include <stdint.h>

enum category { CATEGORY_SAMPLE, CATEGORY_EVENT, CATEGORY_CONDITION };
enum condition_state {
    STATE_NORMAL,
    STATE_WARNING,
    STATE_ALARM,
    STATE_UNAVAILABLE,
    STATE_LISTED /* no decoder's: what is active on the item and nothing else (intake_listed.h) */
};

struct observation {
    uint64_t sequence;
    int64_t at_us; /* the equipment's clock */
    enum category category;
    const char *device;      /* uuid; the name where the source gives no uuid */
    const char *device_name; /* NULL when not given */
    const char *item;
    const char *type;                 /* of the standard, in UPPER_SNAKE; "" when not given */
    const char *sub_type, *statistic; /* of a sample: "COMMANDED", "AVERAGE"; NULL when not given */
    const char
        *value; /* trimmed text of a sample or event; message text of a condition; NULL when unavailable */

    /* conditions only */
    enum condition_state state;
    const char *native_code, *native_severity, *qualifier, *condition_id; /* NULL when not given */
};

/* An observation that could not be read: kept with its reason. */
struct refusal {
    uint64_t sequence; /* 0 when unreadable */
    const char *item, *reason;
};

enum document_kind { DOCUMENT_OBSERVATIONS, DOCUMENT_ERROR };
/* The errors a client acts on; all others are fatal for the one request. */
enum source_error {
    SOURCE_ERROR_NONE,
    SOURCE_ERROR_OUT_OF_RANGE,
    SOURCE_ERROR_TOO_MANY,
    SOURCE_ERROR_NO_DEVICE,
    SOURCE_ERROR_OTHER
};

struct document {
    enum document_kind kind;
    const char *instance; /* instanceId, compared for equality only; "" when not given */
    int64_t created_us;   /* the publisher's clock; TIME_UNKNOWN when not given */
    uint64_t buffer_size, first_sequence, last_sequence, next_sequence; /* 0 when not given */
    const char *model_changed;                                          /* NULL when not given */
    size_t without_zone; /* stamps without a zone, taken as UTC */
    bool test_data;      /* testIndicator: not real, to be kept out */
    enum source_error error;
    const char *error_text; /* "CODE: text; ..." */
    struct observation *observations;
    size_t count;
    struct refusal *refusals;
    size_t refused;
};

/* One data item of a device model, for discovery. */
struct model_item {
    const char *device, *device_name, *item, *name, *category, *type, *sub_type, *units,
        *statistic;                           /* NULL when not given */
    const char *path;                         /* "Axes/Linear[X]/Fan[internal-1]" */
    const char *composition, *composition_id; /* type and id of the one it belongs to, else NULL */
    const char *component;                    /* element name of the component that holds it */
    bool of_agent; /* the publisher's own data about itself and what it reads, not a machine's */
    double minimum, lower_warning, lower_limit,
        nominal;          /* of a Specification or Constraints; NAN when not given */
    double minimum_delta; /* smaller changes are not told, in its units; 0 when not given */
    double period_s;      /* between its readings at least; 0 when not given */
};

struct model {
    const char *instance, *version;
    struct model_item *items;
    size_t count;
};

#endif
