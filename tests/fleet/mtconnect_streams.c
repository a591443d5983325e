#include "answer.h"

#include <stdlib.h>
#include <string.h>

static void open_tag(struct out *o, const struct source *s, const char *element)
{
    out_text(o, "<");
    if (!strchr(element, ':'))
        out_text(o, s->prefix);
    out_text(o, element);
}

static void close_tag(struct out *o, const struct source *s, const char *element)
{
    out_text(o, "</");
    if (!strchr(element, ':'))
        out_text(o, s->prefix);
    out_text(o, element);
    out_text(o, ">");
}

void mtconnect_begin(struct out *o, const struct view *v, const char *kind, uint64_t next)
{
    const struct source *s = v->source;
    int length = *s->prefix ? (int)strlen(s->prefix) - 1 : 0;

    out_text(o, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    out_format(o, "<%sMTConnect%s xmlns%s%.*s=\"urn:mtconnect.org:MTConnect%s:%s\"", s->prefix, kind,
               length ? ":" : "", length, s->prefix, kind, s->version);
    if (s->extension_type)
        out_text(o, " xmlns:x=\"urn:wendelbrueck.example:fans:1.0\"");
    out_format(o, ">\n<%sHeader creationTime=\"", s->prefix);
    moment_out(o, v->now_ms + s->clock_offset_ms, s->moments);
    out_format(o, "\" sender=\"%s\" instanceId=\"%s\" version=\"%s.0.9\" bufferSize=\"%llu\"", s->source,
               v->instance->id, s->version, (unsigned long long)s->buffer_size);
    if (s->style == STYLE_COMPONENT) {
        out_text(o, " deviceModelChangeTime=\"");
        moment_out(o, v->record->instances[0].from_ms, s->moments);
        out_text(o, "\"");
    }
    if (strcmp(kind, "Streams") == 0)
        out_format(o, " nextSequence=\"%llu\" firstSequence=\"%llu\" lastSequence=\"%llu\"",
                   (unsigned long long)next, (unsigned long long)v->first, (unsigned long long)v->last);
    if (strcmp(kind, "Devices") == 0)
        out_text(o, " assetBufferSize=\"1024\" assetCount=\"0\"");
    out_text(o, "/>\n");
}

static void attribute(struct out *o, const char *name, const char *value)
{
    out_text(o, " ");
    out_text(o, name);
    out_text(o, "=\"");
    out_xml(o, value);
    out_text(o, "\"");
}

static void common_attributes(struct out *o, const struct view *v, const struct item *item, uint64_t number,
                              const struct observation *seen)
{
    out_text(o, " dataItemId=\"");
    out_text(o, item->id);
    out_text(o, "\" sequence=\"");
    out_int(o, (int64_t)number);
    out_text(o, "\" timestamp=\"");
    moment_out(o, published_ms(v->source, seen), v->source->moments);
    out_text(o, "\"");
    if (item->composition != NONE && item->kind != ITEM_MOTOR)
        attribute(o, "compositionId", v->source->compositions[item->composition].id);
}

static void condition(struct out *o, const struct view *v, const struct item *item, uint64_t number,
                      const struct observation *seen)
{
    static const char *const elements[] = {"", "Normal", "Warning", "Fault", "Unavailable"};
    const struct detail *d = observation_detail(v, seen);
    char id[16];

    open_tag(o, v->source, elements[seen->state]);
    common_attributes(o, v, item, number, seen);
    attribute(o, "type", item->type);
    if (d)
        attribute(o, "nativeCode", d->native->code);
    if (d && seen->state != STATE_NORMAL) {
        attribute(o, "nativeSeverity", d->native->severity);
        if (strcmp(item->type, "ROTARY_VELOCITY") == 0)
            attribute(o, "qualifier", "LOW");
    }
    if (detail_id(v->source, seen, d, id))
        attribute(o, "conditionId", id);
    if (d && seen->state != STATE_NORMAL) {
        struct out text = {0};

        out_text(o, ">");
        detail_text(&text, d);
        out_bytes(&text, "", 1);
        out_xml(o, text.data);
        out_close(&text);
        close_tag(o, v->source, elements[seen->state]);
    } else {
        out_text(o, "/>");
    }
}

static void value(struct out *o, const struct view *v, const struct item *item, uint64_t number,
                  const struct observation *seen)
{
    open_tag(o, v->source, item->element);
    common_attributes(o, v, item, number, seen);
    if (item->sub_type)
        attribute(o, "subType", item->sub_type);
    out_text(o, ">");
    if (seen->state == STATE_UNAVAILABLE)
        out_text(o, "UNAVAILABLE");
    else if (item->category == CATEGORY_SAMPLE)
        out_int(o, seen->value);
    else
        out_text(o, word_text(seen->value));
    close_tag(o, v->source, item->element);
}

/* Numbers of the page by item, each item's in rising order: a counting sort. starts[i] to starts[i + 1] is
 * item i's. */
static uint64_t *by_item(const struct view *v, const struct page *page, size_t **starts)
{
    size_t items = v->source->item_count;
    uint64_t *sorted = malloc((page->count + 1) * sizeof *sorted);
    size_t *place = calloc(items + 2, sizeof *place);

    if (!sorted || !place)
        die("out of memory");
    for (size_t i = 0; i < page->count; i++)
        place[v->instance->at[page->numbers[i] - 1].item + 2]++;
    for (size_t i = 2; i < items + 2; i++)
        place[i] += place[i - 1];
    for (size_t i = 0; i < page->count; i++)
        sorted[place[v->instance->at[page->numbers[i] - 1].item + 1]++] = page->numbers[i];
    *starts = place;
    return sorted;
}

static void open_component(struct out *o, const struct source *s, const struct component *c)
{
    open_tag(o, s, "ComponentStream");
    attribute(o, "component", c->element);
    attribute(o, "name", c->name);
    attribute(o, "componentId", c->id);
    out_text(o, ">");
}

static void open_device(struct out *o, const struct source *s, int device)
{
    open_tag(o, s, "DeviceStream");
    attribute(o, "name", s->devices[device].name);
    attribute(o, "uuid", s->devices[device].uuid);
    out_text(o, ">\n");
}

/* Where the walk through the items stands: what is open. */
struct walk {
    int device, component, category;
};

static const char *const groups[] = {"Samples", "Events", "Condition"};

static void leave(struct out *o, const struct source *s, struct walk *at, int device, int component,
                  int category)
{
    if (at->category != NONE && (at->component != component || at->category != category)) {
        close_tag(o, s, groups[at->category]);
        at->category = NONE;
    }
    if (at->component != NONE && at->component != component) {
        close_tag(o, s, "ComponentStream");
        out_text(o, "\n");
        at->component = NONE;
    }
    if (at->device != NONE && at->device != device) {
        close_tag(o, s, "DeviceStream");
        out_text(o, "\n");
        at->device = NONE;
    }
}

static void enter(struct out *o, const struct source *s, struct walk *at, const struct item *item)
{
    leave(o, s, at, item->device, item->component, (int)item->category);
    if (at->device == NONE)
        open_device(o, s, item->device);
    if (at->component == NONE)
        open_component(o, s, s->components + item->component);
    if (at->category == NONE) {
        open_tag(o, s, groups[item->category]);
        out_text(o, ">");
    }
    *at = (struct walk){item->device, item->component, (int)item->category};
}

void mtconnect_streams(struct out *o, const struct view *v, const struct page *page)
{
    const struct source *s = v->source;
    struct walk at = {NONE, NONE, NONE};
    size_t *starts;
    uint64_t *sorted = by_item(v, page, &starts);

    mtconnect_begin(o, v, "Streams", page->next);
    open_tag(o, s, "Streams");
    out_text(o, ">\n");
    for (size_t i = 0; i < s->item_count; i++) {
        if (starts[i] == starts[i + 1])
            continue;
        enter(o, s, &at, s->items + i);
        for (size_t k = starts[i]; k < starts[i + 1]; k++) {
            const struct observation *seen = v->instance->at + sorted[k] - 1;

            if (s->items[i].category == CATEGORY_CONDITION)
                condition(o, v, s->items + i, sorted[k], seen);
            else
                value(o, v, s->items + i, sorted[k], seen);
        }
    }
    leave(o, s, &at, NONE, NONE, NONE);
    close_tag(o, s, "Streams");
    close_tag(o, s, "MTConnectStreams");
    out_text(o, "\n");
    free(sorted);
    free(starts);
}

void mtconnect_error(struct out *o, const struct view *v, const char *code, const char *text)
{
    mtconnect_begin(o, v, "Error", 0);
    out_format(o, "<%sErrors><%sError errorCode=\"%s\">", v->source->prefix, v->source->prefix, code);
    out_xml(o, text);
    out_format(o, "</%sError></%sErrors></%sMTConnectError>\n", v->source->prefix, v->source->prefix,
               v->source->prefix);
}
