#include "mtconnect_observation.h"

#include "mtconnect_words.h"

#include <string.h>

enum { TEXT_BLOCK = 2048, SHORT_TEXT = 64, TYPE_BYTES = 128, DATE_BYTES = sizeof "2026-11-25T" - 1 };

void observer_init(struct observer *o, struct gather *gather)
{
    *o = (struct observer){.gather = gather, .device = "", .last_midnight_us = TIME_UNKNOWN};
}

void observer_device(struct observer *o, const struct xml_element *device_stream)
{
    const char *uuid = span_text(xml_attribute(device_stream, ATTR_uuid), &o->gather->texts);
    o->device_name = span_text(xml_attribute(device_stream, ATTR_name), &o->gather->texts);
    o->device = uuid ? uuid : o->device_name ? o->device_name : "";
}

static const struct element_type *type_of(struct observer *o, const char *name)
{
    struct element_type *t = &o->types[((uintptr_t)name * UINT64_C(0x9e3779b97f4a7c15)) >> 56];
    if (t->name == name)
        return t;

    size_t length = strlen(name), series = words_without(name, length, "TimeSeries");
    size_t set = words_without(name, words_without(name, length, "DataSet"), "Table");
    size_t stem = words_without(name, series < set ? series : set, "Discrete");
    char type[TYPE_BYTES];
    words_upper(name, stem, type, sizeof type);
    *t = (struct element_type){.name = name,
                               .type = intern_text(&o->gather->texts, type, strlen(type)),
                               .is_set = set < length,
                               .is_series = series < length};
    return t;
}

/* As span_text. */
static const char *memo_text(struct observer *o, struct text_memo *last, struct xml_span s)
{
    if (!s.length)
        return NULL;
    if (s.length != last->length || memcmp(s.at, last->text, s.length) != 0)
        *last = (struct text_memo){.text = span_text(s, &o->gather->texts), .length = s.length};
    return last->text;
}

/* More than 59 when these are no digits. */
static unsigned two_digits(const char *at)
{
    unsigned tens = (unsigned char)at[0] - (unsigned)'0', ones = (unsigned char)at[1] - (unsigned)'0';
    return tens > 9 || ones > 9 ? 100 : tens * 10 + ones;
}

/* The usual form of what follows the date: "16:20:07Z" or "16:20:07.123Z". False: the whole text decides. */
static bool usual_clock(struct xml_span s, int64_t *in_day_us)
{
    static const int64_t unit_us[] = {0, 100000, 10000, 1000, 100, 10, 1}; /* by the digits of the fraction */
    enum { WHOLE = sizeof "16:20:07" - 1, MAX_DIGITS = sizeof unit_us / sizeof *unit_us - 1 };

    if (s.length < WHOLE + 1 || s.at[2] != ':' || s.at[5] != ':' || s.at[s.length - 1] != 'Z')
        return false;
    unsigned hour = two_digits(s.at), minute = two_digits(s.at + 3), second = two_digits(s.at + 6);
    if (hour > 23 || minute > 59 || second > 59)
        return false;
    uint64_t fraction = 0;
    size_t digits = 0;
    if (s.length > WHOLE + 1) {
        digits = s.length - WHOLE - 2;
        if (s.at[WHOLE] != '.' || digits > MAX_DIGITS ||
            !span_number((struct xml_span){.at = s.at + WHOLE + 1, .length = digits}, &fraction))
            return false;
    }
    *in_day_us = ((hour * 60 + minute) * 60 + second) * US_PER_S + (int64_t)fraction * unit_us[digits];
    return true;
}

bool observer_time(struct observer *o, struct xml_span s, int64_t *at_us)
{
    int64_t in_day_us = 0;
    bool is_usual =
        s.length > DATE_BYTES &&
        usual_clock((struct xml_span){.at = s.at + DATE_BYTES, .length = s.length - DATE_BYTES}, &in_day_us);
    if (is_usual && o->last_midnight_us != TIME_UNKNOWN && memcmp(s.at, o->last_time, DATE_BYTES) == 0) {
        *at_us = o->last_midnight_us + in_day_us;
        return true;
    }
    if (s.length && s.length == o->last_time_length && memcmp(s.at, o->last_time, s.length) == 0) {
        *at_us = o->last_at_us;
        return true;
    }
    if (!s.length || s.length >= sizeof o->last_time)
        return false;
    memcpy(o->last_time, s.at, s.length);
    o->last_time[s.length] = '\0';
    o->last_time_length = 0;
    o->last_midnight_us = TIME_UNKNOWN;
    if (!gather_moment(o->last_time, at_us, &o->last_has_no_zone))
        return false;
    o->last_time_length = s.length;
    o->last_at_us = *at_us;
    if (is_usual)
        o->last_midnight_us = *at_us - in_day_us;
    return true;
}

/* The first fault found is the one that is told. */
static void fault(struct observer *o, const char *reason)
{
    if (!o->fault)
        o->fault = reason;
}

static void start_observation(struct observer *o, const struct xml_element *e, enum category category)
{
    struct observation *now = o->now = gather_next(o->gather);

    o->fault = NULL;
    o->now_type = NULL;
    o->is_alarm = false;
    o->text_length = 0;
    *now = (struct observation){.category = category, .device = o->device, .device_name = o->device_name};
    const char *item = memo_text(o, &o->last_item, xml_attribute(e, ATTR_dataItemId));
    now->item = item ? item : "";
    /* An extension that is no observation at all says neither. */
    o->passed_over = !*now->item && !xml_attribute(e, ATTR_sequence).at;
    if (!*now->item)
        fault(o, "no dataItemId");
    if (!span_number(xml_attribute(e, ATTR_sequence), &now->sequence) || !now->sequence) {
        now->sequence = 0;
        fault(o, "sequence is not a whole number from 1 to 2^63-1");
    }
    if (!observer_time(o, xml_attribute(e, ATTR_timestamp), &now->at_us))
        fault(o, "timestamp is not an ISO 8601 time");
    else if (o->last_has_no_zone)
        o->gather->out->without_zone++;
    if (!*o->device)
        fault(o, "its device has neither uuid nor name");
}

static const char *code_of(struct observer *o, const struct xml_element *e, enum xml_attribute id)
{
    return span_text(span_trim(xml_attribute(e, id)), &o->gather->texts);
}

static void take_codes(struct observer *o, const struct xml_element *e)
{
    o->now->native_code = code_of(o, e, ATTR_nativeCode);
    o->now->native_severity = code_of(o, e, ATTR_nativeSeverity);
    o->now->qualifier = code_of(o, e, ATTR_qualifier);
    o->now->condition_id = code_of(o, e, ATTR_conditionId);
}

/* The element's name is the state. */
void observer_start_condition(struct observer *o, const struct xml_element *e)
{
    start_observation(o, e, CATEGORY_CONDITION);
    take_codes(o, e);
    const char *type = span_text(words_local(xml_attribute(e, ATTR_type)), &o->gather->texts);
    o->now->type = type ? type : "";
    if (e->tag == TAG_Normal)
        o->now->state = STATE_NORMAL;
    else if (e->tag == TAG_Warning)
        o->now->state = STATE_WARNING;
    else if (e->tag == TAG_Fault)
        o->now->state = STATE_ALARM;
    else if (e->tag == TAG_Unavailable)
        o->now->state = STATE_UNAVAILABLE;
    else
        fault(o, "not a state of a condition");
}

/*
 * Version 1.0 has no conditions but Alarm events: active ones are warnings or alarms by their severity,
 * cleared ones are a normal with that code, the others (INFO, INSTANT) are messages and stay events.
 */
static void take_alarm(struct observer *o, const struct xml_element *e)
{
    struct xml_span state = xml_attribute(e, ATTR_state), severity = xml_attribute(e, ATTR_severity);
    bool active = span_is(state, "ACTIVE");
    if (span_is(state, "CLEARED"))
        o->now->state = STATE_NORMAL;
    else if (active && (span_is(severity, "CRITICAL") || span_is(severity, "ERROR")))
        o->now->state = STATE_ALARM;
    else if (active && span_is(severity, "WARNING"))
        o->now->state = STATE_WARNING;
    else
        return;
    o->now->category = CATEGORY_CONDITION;
    take_codes(o, e);
    if (!o->now->native_code)
        o->now->native_code = code_of(o, e, ATTR_code);
    o->now->native_severity = span_text(severity, &o->gather->texts);
}

void observer_start_value(struct observer *o, const struct xml_element *e, enum category category)
{
    start_observation(o, e, category);
    o->now_type = type_of(o, e->name);
    o->now->type = o->now_type->type;
    o->now->sub_type = memo_text(o, &o->last_sub_type, xml_attribute(e, ATTR_subType));
    o->now->statistic = span_text(xml_attribute(e, ATTR_statistic), &o->gather->texts);
    o->passed_over |= o->now_type->is_set;
    o->is_alarm = e->tag == TAG_Alarm && category == CATEGORY_EVENT;
    if (o->is_alarm)
        take_alarm(o, e);
}

void observer_child(struct observer *o, const struct xml_element *e)
{
    o->passed_over |= e->tag == TAG_Entry;
}

void observer_text(struct observer *o, const char *bytes, size_t length)
{
    if (length > OBSERVER_MAX_TEXT - o->text_length) {
        fault(o, "its text is longer than 64 kB");
        length = 0;
    }
    if (!length)
        return;
    if (o->text_length + length >= o->text_room) { /* one place for the NUL */
        o->text_room = TEXT_BLOCK + 2 * (o->text_length + length);
        o->text = arena_grow(o->gather->mem, o->text, o->text_length, o->text_room, 1);
    }
    memcpy(o->text + o->text_length, bytes, length);
    o->text_length += length;
}

static struct xml_span last_word(struct xml_span s)
{
    size_t k = s.length;
    while (k && s.at[k - 1] > ' ')
        k--;
    return (struct xml_span){.at = s.at + k, .length = s.length - k};
}

/* The part of the text as a value: a short one stays where it is and the next text goes behind it. */
static const char *keep_text(struct observer *o, struct xml_span part)
{
    size_t begin = (size_t)(part.at - o->text), used = begin + part.length + 1;
    if (used > SHORT_TEXT)
        return arena_strndup(o->gather->mem, part.at, part.length);
    char *kept = o->text + begin;
    kept[part.length] = '\0';
    o->text += used;
    o->text_room -= used;
    return kept;
}

static void take_value(struct observer *o)
{
    struct observation *now = o->now;
    struct xml_span text = span_trim((struct xml_span){.at = o->text, .length = o->text_length});
    bool unavailable = span_is(text, "UNAVAILABLE");

    if (o->is_alarm && unavailable) {
        now->category = CATEGORY_CONDITION;
        now->state = STATE_UNAVAILABLE;
    }
    if (now->category == CATEGORY_CONDITION) {
        unavailable = now->state == STATE_UNAVAILABLE;
    } else if (now->category == CATEGORY_SAMPLE && !unavailable) {
        const char *reason = words_sample_fault(text);
        if (reason)
            fault(o, reason);
        else if (o->now_type->is_series)
            text = last_word(text);
    }
    if (!unavailable && !o->fault)
        now->value = text.length ? keep_text(o, text) : "";
}

void observer_end(struct observer *o)
{
    if (o->passed_over)
        return;
    take_value(o);
    if (o->fault)
        gather_refuse(o->gather, o->now->sequence, o->now->item, o->fault);
    else
        gather_keep(o->gather);
}
