#include "answer.h"

static void begin(struct out *o, const struct view *v)
{
    out_format(o, "{\"feed\":1,\"instance\":\"%s\",\"created\":\"", v->instance->id);
    moment_out(o, v->now_ms + v->source->clock_offset_ms, MOMENT_MILLI);
    out_format(o, "\",\"buffer\":{\"size\":%llu,\"first\":%llu,\"last\":%llu,\"next\":",
               (unsigned long long)v->source->buffer_size, (unsigned long long)v->first,
               (unsigned long long)v->last);
}

static void condition(struct out *o, const struct view *v, const struct observation *seen)
{
    const struct detail *d = observation_detail(v, seen);
    char id[16];

    out_format(o, "\"state\":\"%s\"", state_word(seen->state));
    if (!d)
        return;
    out_text(o, ",\"code\":");
    out_json(o, d->native->code);
    if (detail_id(v->source, seen, d, id))
        out_format(o, ",\"id\":\"%s\"", id);
    if (seen->state != STATE_NORMAL) {
        struct out text = {0};

        detail_text(&text, d);
        out_bytes(&text, "", 1);
        out_text(o, ",\"severity\":");
        out_json(o, d->native->severity);
        out_text(o, ",\"text\":");
        out_json(o, text.data);
        out_close(&text);
    }
}

static void observation(struct out *o, const struct view *v, uint64_t number)
{
    const struct observation *seen = v->instance->at + number - 1;
    const struct item *item = v->source->items + seen->item;

    out_text(o, "{\"sequence\":");
    out_int(o, (int64_t)number);
    out_text(o, ",\"time\":\"");
    moment_out(o, published_ms(v->source, seen), v->source->moments);
    out_text(o, "\",\"device\":\"");
    out_text(o, v->source->devices[item->device].uuid);
    out_text(o, "\",\"item\":\"");
    out_text(o, item->id);
    out_text(o, "\",");
    if (item->category == CATEGORY_CONDITION) {
        condition(o, v, seen);
    } else {
        out_text(o, "\"value\":");
        if (seen->state == STATE_UNAVAILABLE)
            out_text(o, "null");
        else if (item->category == CATEGORY_SAMPLE)
            out_int(o, seen->value);
        else
            out_json(o, word_text(seen->value));
    }
    out_text(o, "}");
}

void feed_observations(struct out *o, const struct view *v, const struct page *page)
{
    begin(o, v);
    out_int(o, (int64_t)page->next);
    out_text(o, "},\"observations\":[");
    for (size_t i = 0; i < page->count; i++) {
        if (i)
            out_text(o, ",\n");
        observation(o, v, page->numbers[i]);
    }
    out_text(o, "]}\n");
}

void feed_error(struct out *o, const struct view *v, const char *code, const char *text)
{
    begin(o, v);
    out_int(o, (int64_t)v->last + 1);
    out_text(o, "},\"error\":{\"code\":");
    out_json(o, code);
    out_text(o, ",\"text\":");
    out_json(o, text);
    out_text(o, "}}\n");
}

void feed_probe(struct out *o, const struct view *v)
{
    static const char *const kinds[] = {[ITEM_SPEED] = "speed",
                                        [ITEM_CONDITION] = "condition",
                                        [ITEM_AVAILABILITY] = "availability",
                                        [ITEM_POWER] = "power"};

    begin(o, v);
    out_int(o, (int64_t)v->last + 1);
    out_text(o, "},\"items\":[");
    for (size_t i = 0; i < v->source->item_count; i++) {
        const struct item *item = v->source->items + i;

        out_format(o, "%s{\"device\":\"%s\",\"item\":\"%s\",\"kind\":\"%s\",", i ? ",\n" : "",
                   v->source->devices[item->device].uuid, item->id, kinds[item->kind]);
        if (item->kind == ITEM_SPEED)
            out_format(o, "\"unit\":\"rpm\",\"name\":\"%s\",", position_word(item->position));
        out_text(o, "\"path\":\"");
        component_path(o, v->source, item->component);
        out_text(o, "\"}");
    }
    out_text(o, "]}\n");
}

void component_path(struct out *o, const struct source *s, int component)
{
    const struct component *c = s->components + component;

    if (c->parent == NONE) {
        out_text(o, c->name);
        return;
    }
    component_path(o, s, c->parent);
    out_text(o, "/");
    out_text(o, c->name);
}
