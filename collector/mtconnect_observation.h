/*
 * One MTConnect observation after the other: a sample, an event or a condition from its element and text.
 */
#ifndef COLLECTOR_MTCONNECT_OBSERVATION_H
#define COLLECTOR_MTCONNECT_OBSERVATION_H

#include "gather.h"
#include "mtconnect_xml.h"

enum { OBSERVER_MAX_TEXT = 64 * 1024, OBSERVER_TYPES = 256 };

/* What the name of a sample's or event's element says; looked up by the pointer of the name. */
struct element_type {
    const char *name;
    const char *type;
    bool is_set;    /* DATA_SET or TABLE: keys with values, not one value */
    bool is_series; /* TIME_SERIES: the last value is that of the timestamp */
};

/* The text given last; the next one is often the same. */
struct text_memo {
    const char *text;
    size_t length;
};

struct observer {
    struct gather *gather;
    const char *device, *device_name; /* of the DeviceStream */

    struct observation *now;             /* the one being read */
    const struct element_type *now_type; /* NULL for a condition */
    const char *fault;                   /* why it cannot be used */
    bool passed_over;
    bool is_alarm; /* an Alarm event of version 1.0 */

    char *text; /* of the element being read; a value that is kept stays where it stands */
    size_t text_length, text_room;

    /* observations of one item, or of one scan of the equipment, stand together */
    struct text_memo last_item, last_sub_type;
    char last_time[64];
    size_t last_time_length;
    int64_t last_at_us;
    int64_t last_midnight_us; /* of its day; TIME_UNKNOWN when it is not of the usual form */
    bool last_has_no_zone;
    struct element_type types[OBSERVER_TYPES];
};

void observer_init(struct observer *o, struct gather *gather);
/* For all observations that follow. */
void observer_device(struct observer *o, const struct xml_element *device_stream);
void observer_start_value(struct observer *o, const struct xml_element *e, enum category category);
void observer_start_condition(struct observer *o, const struct xml_element *e);
void observer_child(struct observer *o, const struct xml_element *e);
/* Adds to the text of the element being read; the part beyond OBSERVER_MAX_TEXT makes it unusable. */
void observer_text(struct observer *o, const char *bytes, size_t length);
/* Keeps the observation or refuses it. */
void observer_end(struct observer *o);

/* An ISO 8601 time; quick when its day or its text is that of one before. */
bool observer_time(struct observer *o, struct xml_span s, int64_t *at_us);

#endif
