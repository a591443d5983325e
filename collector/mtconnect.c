#include "mtconnect.h"

#include "mtconnect_observation.h"
#include "mtconnect_words.h"

#include "base/text.h"

#include <string.h>

enum place {
    STREAMS_DOCUMENT = XML_FIRST_PLACE,
    ERROR_DOCUMENT,
    HEADER,
    STREAMS,
    DEVICE_STREAM,
    COMPONENT_STREAM,
    SAMPLES,
    EVENTS,
    CONDITIONS,
    OBSERVATION,
    ERRORS,
    ERROR,
    ERROR_MESSAGE
};

enum { TYPE_BYTES = 128, MAX_ERROR_TEXT = 1000 };

struct decoder {
    struct gather gather;
    struct observer observer;
    struct document *out;
    bool has_header;
};

/* A header's number: absent is 0. */
static bool header_number(const struct xml_element *e, enum xml_attribute id, const char *name,
                          uint64_t *value, struct err *err)
{
    struct xml_span s = xml_attribute(e, id);
    if (!s.at || span_number(s, value))
        return true;
    return err_set(err, ERR_INPUT, "%s '%.*s' is not a whole number up to 2^63-1", name,
                   (int)(s.length < 40 ? s.length : 40), s.at);
}

static bool take_header(struct decoder *d, const struct xml_element *e, struct err *err)
{
    struct document *out = d->out;
    const char *instance = span_text(xml_attribute(e, ATTR_instanceId), &d->gather.texts);

    if (d->has_header) /* which one holds for what stands between them? */
        return err_set(err, ERR_INPUT, "the document has two Headers");
    d->has_header = true;
    out->instance = instance ? instance : "";
    out->model_changed = span_text(xml_attribute(e, ATTR_deviceModelChangeTime), &d->gather.texts);
    out->test_data = span_is(xml_attribute(e, ATTR_testIndicator), "true") ||
                     span_is(xml_attribute(e, ATTR_testIndicator), "1");
    if (!observer_time(&d->observer, xml_attribute(e, ATTR_creationTime), &out->created_us))
        out->created_us = TIME_UNKNOWN;
    if (!header_number(e, ATTR_bufferSize, "bufferSize", &out->buffer_size, err) ||
        !header_number(e, ATTR_firstSequence, "firstSequence", &out->first_sequence, err) ||
        !header_number(e, ATTR_lastSequence, "lastSequence", &out->last_sequence, err) ||
        !header_number(e, ATTR_nextSequence, "nextSequence", &out->next_sequence, err))
        return false;
    if (out->kind == DOCUMENT_ERROR)
        return true;
    if (!*out->instance)
        return err_set(err, ERR_INPUT, "the Header has no instanceId");
    if (!out->next_sequence)
        return err_set(err, ERR_INPUT, "the Header has no nextSequence from 1 on");
    return true;
}

static enum source_error error_of(struct xml_span code)
{
    if (span_is(code, "OUT_OF_RANGE"))
        return SOURCE_ERROR_OUT_OF_RANGE;
    if (span_is(code, "TOO_MANY"))
        return SOURCE_ERROR_TOO_MANY;
    if (span_is(code, "NO_DEVICE"))
        return SOURCE_ERROR_NO_DEVICE;
    return SOURCE_ERROR_OTHER;
}

/* Adds to the text that a person reads, up to a length that fits a line of a log. */
static void add_error_text(struct decoder *d, const char *between, struct xml_span words)
{
    const char *so_far = d->out->error_text ? d->out->error_text : "";
    if (!words.length || strlen(so_far) >= MAX_ERROR_TEXT)
        return;
    int length = (int)(words.length < MAX_ERROR_TEXT ? words.length : MAX_ERROR_TEXT);
    char *text = arena_printf(d->gather.mem, "%s%s%.*s", so_far, *so_far ? between : "", length, words.at);
    text_cut(text, MAX_ERROR_TEXT);
    d->out->error_text = text;
}

/* Up to 2.5 the code is an attribute, from 2.6 it is the element's name. */
static void start_error(struct decoder *d, const struct xml_element *e)
{
    struct xml_span code = xml_attribute(e, ATTR_errorCode);
    char name[TYPE_BYTES];
    if (!code.length) {
        words_upper(e->name, strlen(e->name), name, sizeof name);
        code = (struct xml_span){.at = name, .length = strlen(name)};
    }
    /* Of several errors the one that can be acted on counts. */
    if (d->out->error == SOURCE_ERROR_NONE || d->out->error == SOURCE_ERROR_OTHER)
        d->out->error = error_of(code);
    add_error_text(d, "; ", code);
    d->observer.text_length = 0;
}

static void end_error(struct decoder *d)
{
    add_error_text(d, ": ",
                   span_trim((struct xml_span){.at = d->observer.text, .length = d->observer.text_length}));
}

static bool start_root(struct decoder *d, const struct xml_element *e, int *place, struct err *err)
{
    if (e->tag == TAG_MTConnectStreams) {
        *place = STREAMS_DOCUMENT;
    } else if (e->tag == TAG_MTConnectError) {
        *place = ERROR_DOCUMENT;
        d->out->kind = DOCUMENT_ERROR;
    } else {
        return err_set(err, ERR_INPUT,
                       "the root element is '%.64s' and not MTConnectStreams or MTConnectError", e->name);
    }
    return true;
}

static int place_in_component(enum xml_tag tag)
{
    switch ((int)tag) {
    case TAG_Samples:
        return SAMPLES;
    case TAG_Events:
        return EVENTS;
    case TAG_Condition:
        return CONDITIONS;
    default:
        return XML_PASS_OVER;
    }
}

static bool on_start(void *context, int parent, const struct xml_element *e, int *place, struct err *err)
{
    struct decoder *d = context;
    switch (parent) {
    case XML_DOCUMENT:
        return start_root(d, e, place, err);
    case STREAMS_DOCUMENT:
    case ERROR_DOCUMENT:
        if (e->tag == TAG_Header) {
            *place = HEADER;
            return take_header(d, e, err);
        }
        if (parent == STREAMS_DOCUMENT) {
            *place = e->tag == TAG_Streams ? STREAMS : XML_PASS_OVER;
            return true;
        }
        *place = e->tag == TAG_Errors ? ERRORS : e->tag == TAG_Error ? ERROR : XML_PASS_OVER;
        if (*place == ERROR) /* version 1.0: one, without the wrapper */
            start_error(d, e);
        return true;
    case STREAMS:
        if (e->tag == TAG_DeviceStream) {
            *place = DEVICE_STREAM;
            observer_device(&d->observer, e);
        }
        return true;
    case DEVICE_STREAM:
        *place = e->tag == TAG_ComponentStream ? COMPONENT_STREAM : XML_PASS_OVER;
        return true;
    case COMPONENT_STREAM:
        *place = place_in_component(e->tag);
        return true;
    case SAMPLES:
    case EVENTS:
        *place = OBSERVATION;
        observer_start_value(&d->observer, e, parent == SAMPLES ? CATEGORY_SAMPLE : CATEGORY_EVENT);
        return gather_has_room(&d->gather, err);
    case CONDITIONS:
        *place = OBSERVATION;
        observer_start_condition(&d->observer, e);
        return gather_has_room(&d->gather, err);
    case OBSERVATION:
        observer_child(&d->observer, e);
        return true;
    case ERRORS:
        *place = ERROR;
        start_error(d, e);
        return true;
    case ERROR:
        *place = e->tag == TAG_ErrorMessage ? ERROR_MESSAGE : XML_PASS_OVER;
        return true;
    default:
        return true;
    }
}

static void on_text(void *context, int place, const char *bytes, size_t length)
{
    struct decoder *d = context;
    if (place == OBSERVATION || place == ERROR || place == ERROR_MESSAGE)
        observer_text(&d->observer, bytes, length);
}

static void on_end(void *context, int place)
{
    struct decoder *d = context;
    if (place == OBSERVATION)
        observer_end(&d->observer);
    else if (place == ERROR)
        end_error(d);
}

bool mtconnect_document(const char *bytes, size_t size, struct arena *mem, struct document *out,
                        struct err *err)
{
    static const struct xml_handler handler = {.start = on_start, .text = on_text, .end = on_end};
    enum { BYTES_AN_OBSERVATION = 120 }; /* few publishers write less */
    struct decoder d = {.out = out};

    *out = (struct document){.instance = "", .created_us = TIME_UNKNOWN};
    gather_init(&d.gather, out, mem, size / BYTES_AN_OBSERVATION);
    observer_init(&d.observer, &d.gather);
    if (!xml_read(bytes, size, &handler, &d, err))
        return false;
    if (out->kind == DOCUMENT_ERROR) {
        if (out->error == SOURCE_ERROR_NONE) {
            out->error = SOURCE_ERROR_OTHER;
            out->error_text = "an error without a code";
        }
    } else if (!d.has_header) {
        return err_set(err, ERR_INPUT, "the document has no Header");
    }
    gather_finish(&d.gather);
    return true;
}
