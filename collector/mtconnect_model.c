#include "mtconnect.h"

#include "mtconnect_parts.h"
#include "mtconnect_words.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum place {
    DEVICES_DOCUMENT = XML_FIRST_PLACE,
    DEVICES,
    COMPONENT, /* a Device or anything below its Components */
    COMPONENTS,
    DATA_ITEMS,
    DATA_ITEM,
    CONSTRAINTS,
    FILTERS,
    COMPOSITIONS,
    CONFIGURATION,
    SPECIFICATIONS,
    SPECIFICATION,
    NUMBER
};

#define NOT_GIVEN ((double)NAN)

enum { MAX_NUMBER = 64, MAX_NAME = 64, MAX_PATH = 256 };

struct component {
    const char *element, *name;
    size_t number;     /* within the document, from 1 */
    double interval_s; /* between its readings; 0: not given */
    const char *path;  /* made when the first data item asks for it */
};

struct decoder {
    struct arena *mem;
    struct model *out;
    struct intern texts;
    struct model_parts parts;
    const char *device, *device_name;
    bool in_agent;
    struct component components[XML_MAX_DEPTH]; /* the device first */
    int depth;
    size_t component_count;

    double *number; /* where the number being read goes */
    char digits[MAX_NUMBER];
    size_t digit_count;
    bool is_error;
};

static const char *text_of(struct decoder *d, const struct xml_element *e, enum xml_attribute id)
{
    return span_text(xml_attribute(e, id), &d->texts);
}

/* "Axes/Linear[X]/Fan[internal-1]": the components below the device, the nearest ones when it gets long. */
static const char *path_of(struct decoder *d)
{
    struct component *c = &d->components[d->depth - 1];
    if (c->path)
        return c->path;
    char path[MAX_PATH] = "";
    for (int k = d->depth - 1; k > 0; k--) {
        const struct component *at = &d->components[k];
        char step[2 * MAX_NAME + 4], whole[MAX_PATH + sizeof step];
        snprintf(step, sizeof step, at->name ? "%.64s[%.64s]" : "%.64s", at->element, at->name);
        snprintf(whole, sizeof whole, "%s%s%s", step, *path ? "/" : "", path);
        if (strlen(whole) >= sizeof path)
            break;
        memcpy(path, whole, strlen(whole) + 1);
    }
    c->path = intern_text(&d->texts, path, strlen(path));
    return c->path;
}

static bool number_of(struct xml_span s, double *value)
{
    char text[MAX_NUMBER];
    s = span_trim(s);
    if (!s.length || s.length >= sizeof text)
        return false;
    memcpy(text, s.at, s.length);
    text[s.length] = '\0';
    return text_double(text, value);
}

static void start_component(struct decoder *d, const struct xml_element *e)
{
    double interval_ms = 0;
    bool is_given = number_of(xml_attribute(e, ATTR_sampleInterval), &interval_ms) && interval_ms > 0;
    /* No deeper than elements are. */
    d->components[d->depth++] =
        (struct component){.element = intern_text(&d->texts, e->name, strlen(e->name)),
                           .name = text_of(d, e, ATTR_name),
                           .number = ++d->component_count,
                           .interval_s = is_given ? interval_ms / 1000 : 0};
}

static void start_device(struct decoder *d, const struct xml_element *e)
{
    const char *uuid = text_of(d, e, ATTR_uuid);
    d->device_name = text_of(d, e, ATTR_name);
    d->device = uuid ? uuid : d->device_name ? d->device_name : "";
    d->in_agent = e->tag == TAG_Agent;
    d->depth = 0;
    start_component(d, e);
}

static bool start_item(struct decoder *d, const struct xml_element *e)
{
    const char *id = text_of(d, e, ATTR_id);
    if (!id || !*d->device) /* nothing that could be bound */
        return false;

    const struct component *holder = &d->components[d->depth - 1];
    struct model_part *i = parts_item(&d->parts);
    *i = (struct model_part){.composition = text_of(d, e, ATTR_compositionId), .component = holder->number};
    i->item = (struct model_item){
        .device = d->device,
        .device_name = d->device_name,
        .item = id,
        .name = text_of(d, e, ATTR_name),
        .category = text_of(d, e, ATTR_category),
        .type = span_text(words_local(xml_attribute(e, ATTR_type)), &d->texts),
        .sub_type = text_of(d, e, ATTR_subType),
        .units = text_of(d, e, ATTR_units),
        .statistic = text_of(d, e, ATTR_statistic),
        .path = path_of(d),
        .component = holder->element,
        .of_agent = d->in_agent,
        .minimum = NOT_GIVEN,
        .lower_warning = NOT_GIVEN,
        .lower_limit = NOT_GIVEN,
        .nominal = NOT_GIVEN,
        .period_s = holder->interval_s,
    };
    return true;
}

static void start_composition(struct decoder *d, const struct xml_element *e)
{
    const char *id = text_of(d, e, ATTR_id);
    if (id)
        *parts_composition(&d->parts) = (struct model_composition){
            .id = id, .type = span_text(words_local(xml_attribute(e, ATTR_type)), &d->texts)};
}

static void start_specification(struct decoder *d, const struct xml_element *e)
{
    *parts_specification(&d->parts) =
        (struct model_specification){.item = text_of(d, e, ATTR_dataItemIdRef),
                                     .composition = text_of(d, e, ATTR_compositionIdRef),
                                     .type = span_text(words_local(xml_attribute(e, ATTR_type)), &d->texts),
                                     .units = text_of(d, e, ATTR_units),
                                     .component = d->components[d->depth - 1].number,
                                     .limits = {NOT_GIVEN, NOT_GIVEN, NOT_GIVEN, NOT_GIVEN}};
}

static double *limit_of(struct decoder *d, enum xml_tag tag)
{
    struct model_limits *limits = &d->parts.specifications[d->parts.specification_count - 1].limits;
    switch ((int)tag) {
    case TAG_Nominal:
        return &limits->nominal;
    case TAG_Minimum:
        return &limits->minimum;
    case TAG_LowerWarning:
        return &limits->lower_warning;
    case TAG_LowerLimit:
        return &limits->lower_limit;
    default:
        return NULL;
    }
}

/* Of the data item itself. A Filter stood among the Constraints before it had a place of its own. */
static double *bound_of(struct decoder *d, const struct xml_element *e)
{
    struct model_item *item = &d->parts.items[d->parts.item_count - 1].item;
    struct xml_span type = xml_attribute(e, ATTR_type);
    switch ((int)e->tag) {
    case TAG_Nominal:
        return &item->nominal;
    case TAG_Minimum:
        return &item->minimum;
    case TAG_Filter:
        return span_is(type, "MINIMUM_DELTA") ? &item->minimum_delta
               : span_is(type, "PERIOD")      ? &item->period_s
                                              : NULL;
    default:
        return NULL;
    }
}

static int start_number(struct decoder *d, double *number)
{
    d->number = number;
    d->digit_count = 0;
    return number ? NUMBER : XML_PASS_OVER;
}

static void end_number(struct decoder *d)
{
    double value;
    if (number_of((struct xml_span){.at = d->digits, .length = d->digit_count}, &value))
        *d->number = value;
}

static bool start_root(struct decoder *d, const struct xml_element *e, int *place, struct err *err)
{
    if (e->tag == TAG_MTConnectDevices)
        *place = DEVICES_DOCUMENT;
    else if (e->tag == TAG_MTConnectError)
        d->is_error = true;
    else
        return err_set(err, ERR_INPUT, "the root element is '%.64s' and not MTConnectDevices", e->name);
    return true;
}

static void take_header(struct decoder *d, const struct xml_element *e)
{
    const char *instance = text_of(d, e, ATTR_instanceId), *version = text_of(d, e, ATTR_version);
    d->out->instance = instance ? instance : "";
    d->out->version = version ? version : "";
}

/* In a Device or component. */
static int place_in_component(enum xml_tag tag)
{
    switch ((int)tag) {
    case TAG_Components:
        return COMPONENTS;
    case TAG_DataItems:
        return DATA_ITEMS;
    case TAG_Compositions:
        return COMPOSITIONS;
    case TAG_Configuration:
        return CONFIGURATION;
    default:
        return XML_PASS_OVER;
    }
}

static int place_in_document(struct decoder *d, const struct xml_element *e)
{
    if (e->tag == TAG_Header)
        take_header(d, e);
    return e->tag == TAG_Devices ? DEVICES : XML_PASS_OVER;
}

static int place_in_item(struct decoder *d, const struct xml_element *e)
{
    switch ((int)e->tag) {
    case TAG_Constraints:
        return CONSTRAINTS;
    case TAG_Filters:
        return FILTERS;
    case TAG_Filter:
        return start_number(d, bound_of(d, e));
    default:
        return XML_PASS_OVER;
    }
}

static int place_in_part(struct decoder *d, int parent, const struct xml_element *e)
{
    switch (parent) {
    case COMPONENTS:
        start_component(d, e);
        return COMPONENT;
    case DATA_ITEMS:
        return e->tag == TAG_DataItem && start_item(d, e) ? DATA_ITEM : XML_PASS_OVER;
    case DATA_ITEM:
        return place_in_item(d, e);
    case COMPOSITIONS:
        if (e->tag == TAG_Composition)
            start_composition(d, e);
        return XML_PASS_OVER;
    case CONFIGURATION:
        return e->tag == TAG_Specifications ? SPECIFICATIONS : XML_PASS_OVER;
    case SPECIFICATIONS:
        if (e->tag != TAG_Specification && e->tag != TAG_ProcessSpecification)
            return XML_PASS_OVER;
        start_specification(d, e);
        return SPECIFICATION;
    case CONSTRAINTS:
    case FILTERS:
        return start_number(d, bound_of(d, e));
    case SPECIFICATION:
        /* Alarm limits of a ProcessSpecification; its control limits are of statistics, not of the machine.
         */
        return e->tag == TAG_AlarmLimits ? SPECIFICATION : start_number(d, limit_of(d, e->tag));
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
    case DEVICES_DOCUMENT:
        *place = place_in_document(d, e);
        return true;
    case DEVICES:
        /* The Agent, from version 1.7 on, stands beside the devices as an element of its own. */
        if (e->tag == TAG_Device || e->tag == TAG_Agent) {
            start_device(d, e);
            *place = COMPONENT;
        }
        return true;
    case COMPONENT:
        *place = place_in_component(e->tag);
        return true;
    default:
        *place = place_in_part(d, parent, e);
        return true;
    }
}

static void on_text(void *context, int place, const char *bytes, size_t length)
{
    struct decoder *d = context;
    if (place != NUMBER)
        return;
    size_t room = sizeof d->digits - d->digit_count;
    size_t n = length < room ? length : room; /* a full buffer is no number */
    memcpy(d->digits + d->digit_count, bytes, n);
    d->digit_count += n;
}

static void on_end(void *context, int place)
{
    struct decoder *d = context;
    if (place == COMPONENT)
        d->depth--;
    else if (place == NUMBER)
        end_number(d);
}

/* The source's own words, read from the same bytes. */
static bool say_error(const char *bytes, size_t size, struct arena *mem, struct err *err)
{
    struct document d;
    if (!mtconnect_document(bytes, size, mem, &d, err))
        return false;
    return err_set(err, ERR_INPUT, "the source answers with an error: %s", d.error_text);
}

bool mtconnect_model(const char *bytes, size_t size, struct arena *mem, struct model *out, struct err *err)
{
    static const struct xml_handler handler = {.start = on_start, .text = on_text, .end = on_end};
    struct decoder d = {.mem = mem, .out = out, .parts = {.mem = mem}};

    *out = (struct model){.instance = "", .version = ""};
    intern_init(&d.texts, mem);
    if (!xml_read(bytes, size, &handler, &d, err))
        return false;
    if (d.is_error)
        return say_error(bytes, size, mem, err);
    parts_resolve(&d.parts, out);
    return true;
}
