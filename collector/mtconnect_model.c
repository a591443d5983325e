#include "mtconnect.h"

#include "mtconnect_words.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum place {
    DEVICES_DOCUMENT = XML_FIRST_PLACE,
    DEVICES,
    COMPONENT, /* a Device or anything below its Components */
    COMPONENTS,
    DATA_ITEMS,
    DATA_ITEM,
    CONSTRAINTS,
    COMPOSITIONS,
    CONFIGURATION,
    SPECIFICATIONS,
    SPECIFICATION,
    LIMIT
};

#define NOT_GIVEN ((double)NAN)

enum { MAX_NUMBER = 64, MAX_NAME = 64, MAX_PATH = 256 };

struct component {
    const char *element, *name;
    const char *path; /* made when the first data item asks for it */
};

struct item {
    struct model_item item;
    const char *composition; /* id, looked up at the end: compositions may come after the items */
};

struct composition {
    const char *id, *type;
};

struct limits {
    double minimum, lower_warning, lower_limit, nominal;
};

/* Of an item by its id, or of all items of a type of a composition. */
struct specification {
    const char *item, *composition, *type;
    struct limits limits;
};

struct decoder {
    struct arena *mem;
    struct model *out;
    struct intern texts;
    const char *device, *device_name;
    bool in_agent;
    struct component components[XML_MAX_DEPTH]; /* the device first */
    int depth;

    struct item *items;
    size_t item_capacity;
    struct composition *compositions;
    size_t composition_count, composition_capacity;
    struct specification *specifications;
    size_t specification_count, specification_capacity;

    double *limit; /* where the number being read goes */
    char number[MAX_NUMBER];
    size_t number_length;
    bool is_error;
};

/* The array with room for one more. */
static void *with_room(struct decoder *d, void *items, size_t count, size_t *capacity, size_t size)
{
    if (count < *capacity)
        return items;
    *capacity = *capacity ? 2 * *capacity : 16;
    return arena_grow(d->mem, items, count, *capacity, size);
}

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

static void start_component(struct decoder *d, const struct xml_element *e)
{
    /* No deeper than elements are. */
    d->components[d->depth++] = (struct component){
        .element = intern_text(&d->texts, e->name, strlen(e->name)), .name = text_of(d, e, ATTR_name)};
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

    struct model *out = d->out;
    d->items = with_room(d, d->items, out->count, &d->item_capacity, sizeof *d->items);
    struct item *i = &d->items[out->count++];
    *i = (struct item){.composition = text_of(d, e, ATTR_compositionId)};
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
        .component = d->components[d->depth - 1].element,
        .of_agent = d->in_agent,
        .minimum = NOT_GIVEN,
        .lower_warning = NOT_GIVEN,
        .lower_limit = NOT_GIVEN,
        .nominal = NOT_GIVEN,
    };
    return true;
}

static void start_composition(struct decoder *d, const struct xml_element *e)
{
    const char *id = text_of(d, e, ATTR_id);
    if (!id)
        return;
    d->compositions = with_room(d, d->compositions, d->composition_count, &d->composition_capacity,
                                sizeof *d->compositions);
    d->compositions[d->composition_count++] = (struct composition){
        .id = id, .type = span_text(words_local(xml_attribute(e, ATTR_type)), &d->texts)};
}

static void start_specification(struct decoder *d, const struct xml_element *e)
{
    d->specifications = with_room(d, d->specifications, d->specification_count, &d->specification_capacity,
                                  sizeof *d->specifications);
    d->specifications[d->specification_count++] =
        (struct specification){.item = text_of(d, e, ATTR_dataItemIdRef),
                               .composition = text_of(d, e, ATTR_compositionIdRef),
                               .type = span_text(words_local(xml_attribute(e, ATTR_type)), &d->texts),
                               .limits = {NOT_GIVEN, NOT_GIVEN, NOT_GIVEN, NOT_GIVEN}};
}

static double *limit_of(struct decoder *d, int parent, enum xml_tag tag)
{
    struct model_item *item = parent == CONSTRAINTS ? &d->items[d->out->count - 1].item : NULL;
    struct limits *limits = item ? NULL : &d->specifications[d->specification_count - 1].limits;
    if (tag == TAG_Nominal)
        return item ? &item->nominal : &limits->nominal;
    if (tag == TAG_Minimum)
        return item ? &item->minimum : &limits->minimum;
    if (tag == TAG_LowerWarning && limits)
        return &limits->lower_warning;
    if (tag == TAG_LowerLimit && limits)
        return &limits->lower_limit;
    return NULL;
}

static int start_limit(struct decoder *d, int parent, enum xml_tag tag)
{
    /* Alarm limits of a ProcessSpecification; its control limits are of statistics, not of the machine. */
    if (parent == SPECIFICATION && tag == TAG_AlarmLimits)
        return SPECIFICATION;
    d->limit = limit_of(d, parent, tag);
    d->number_length = 0;
    return d->limit ? LIMIT : XML_PASS_OVER;
}

static void end_limit(struct decoder *d)
{
    char text[MAX_NUMBER];
    struct xml_span s = span_trim((struct xml_span){.at = d->number, .length = d->number_length});
    double value;
    if (s.length >= sizeof text)
        return;
    memcpy(text, s.at, s.length);
    text[s.length] = '\0';
    if (text_double(text, &value))
        *d->limit = value;
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

static int place_in_part(struct decoder *d, int parent, const struct xml_element *e)
{
    switch (parent) {
    case COMPONENTS:
        start_component(d, e);
        return COMPONENT;
    case DATA_ITEMS:
        return e->tag == TAG_DataItem && start_item(d, e) ? DATA_ITEM : XML_PASS_OVER;
    case DATA_ITEM:
        return e->tag == TAG_Constraints ? CONSTRAINTS : XML_PASS_OVER;
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
    case SPECIFICATION:
        return start_limit(d, parent, e->tag);
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
    if (place != LIMIT)
        return;
    size_t room = sizeof d->number - d->number_length;
    size_t n = length < room ? length : room; /* a full buffer is no number */
    memcpy(d->number + d->number_length, bytes, n);
    d->number_length += n;
}

static void on_end(void *context, int place)
{
    struct decoder *d = context;
    if (place == COMPONENT)
        d->depth--;
    else if (place == LIMIT)
        end_limit(d);
}

static int by_text(const char *a, const char *b)
{
    return strcmp(a ? a : "", b ? b : "");
}

static int by_id(const void *a, const void *b)
{
    return strcmp(((const struct composition *)a)->id, ((const struct composition *)b)->id);
}

static int by_reference(const void *a, const void *b)
{
    const struct specification *s = a, *t = b;
    int item = by_text(s->item, t->item), composition = by_text(s->composition, t->composition);
    return item ? item : composition ? composition : by_text(s->type, t->type);
}

static const struct specification *specification_of(const struct decoder *d, const struct item *i)
{
    const struct specification by_item = {.item = i->item.item, .type = i->item.type};
    const struct specification by_composition = {.composition = i->composition, .type = i->item.type};
    const struct specification *s = NULL;
    if (d->specification_count)
        s = bsearch(&by_item, d->specifications, d->specification_count, sizeof *s, by_reference);
    if (!s && d->specification_count && i->composition)
        s = bsearch(&by_composition, d->specifications, d->specification_count, sizeof *s, by_reference);
    return s;
}

static void take_limits(struct model_item *item, const struct limits *l)
{
    item->minimum = isnan(l->minimum) ? item->minimum : l->minimum;
    item->nominal = isnan(l->nominal) ? item->nominal : l->nominal;
    item->lower_warning = l->lower_warning;
    item->lower_limit = l->lower_limit;
}

/* Compositions and specifications are known only when the whole document is read. */
static void resolve(struct decoder *d)
{
    if (d->composition_count)
        qsort(d->compositions, d->composition_count, sizeof *d->compositions, by_id);
    if (d->specification_count)
        qsort(d->specifications, d->specification_count, sizeof *d->specifications, by_reference);

    d->out->items = arena_array(d->mem, struct model_item, d->out->count);
    for (size_t k = 0; k < d->out->count; k++) {
        struct item *i = &d->items[k];
        const struct composition key = {.id = i->composition}, *c = NULL;
        if (i->composition && d->composition_count)
            c = bsearch(&key, d->compositions, d->composition_count, sizeof *c, by_id);
        i->item.composition = c ? c->type : NULL;
        const struct specification *s = specification_of(d, i);
        if (s)
            take_limits(&i->item, &s->limits);
        d->out->items[k] = i->item;
    }
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
    struct decoder d = {.mem = mem, .out = out};

    *out = (struct model){.instance = "", .version = ""};
    intern_init(&d.texts, mem);
    if (!xml_read(bytes, size, &handler, &d, err))
        return false;
    if (d.is_error)
        return say_error(bytes, size, mem, err);
    resolve(&d);
    return true;
}
