#include "answer.h"

#include <string.h>

static void open_tag(struct out *o, const struct source *s, const char *element)
{
    out_format(o, "<%s%s", s->prefix, element);
}

static void close_tag(struct out *o, const struct source *s, const char *element)
{
    out_format(o, "</%s%s>\n", s->prefix, element);
}

static void limits(struct out *o, const struct source *s, const struct item *item, const char *around)
{
    open_tag(o, s, around);
    out_format(o,
               " id=\"%s_spec\" type=\"ROTARY_VELOCITY\" dataItemIdRef=\"%s\" units=\"REVOLUTION/MINUTE\">",
               item->id, item->id);
    out_format(o, "<%sNominal>%.0f</%sNominal>", s->prefix, item->nominal, s->prefix);
    if (s->style == STYLE_COMPONENT)
        out_format(o, "<%sLowerWarning>%.0f</%sLowerWarning>", s->prefix, item->lower_warning, s->prefix);
    close_tag(o, s, around);
}

static void data_item(struct out *o, const struct source *s, const struct item *item)
{
    static const char *const categories[] = {"SAMPLE", "EVENT", "CONDITION"};

    open_tag(o, s, "DataItem");
    out_format(o, " id=\"%s\" name=\"%s_n\" category=\"%s\" type=\"%s\"", item->id, item->id,
               categories[item->category], item->type);
    if (item->sub_type)
        out_format(o, " subType=\"%s\"", item->sub_type);
    if (item->category == CATEGORY_SAMPLE)
        out_text(o, " units=\"REVOLUTION/MINUTE\" nativeUnits=\"REVOLUTION/MINUTE\"");
    if (item->composition != NONE)
        out_format(o, " compositionId=\"%s\"", s->compositions[item->composition].id);
    out_text(o, "/>\n");
}

static size_t items_of(const struct source *s, int component)
{
    size_t count = 0;

    for (size_t i = 0; i < s->item_count; i++)
        count += s->items[i].component == component;
    return count;
}

static void data_items(struct out *o, const struct source *s, int component)
{
    if (!items_of(s, component))
        return;
    out_format(o, "<%sDataItems>\n", s->prefix);
    for (size_t i = 0; i < s->item_count; i++)
        if (s->items[i].component == component)
            data_item(o, s, s->items + i);
    close_tag(o, s, "DataItems");
}

/* From version 1.6 on the agent tells rated speeds, from 1.7 on warning speeds too. */
static void configuration(struct out *o, const struct source *s, int component)
{
    bool any = false;

    for (size_t i = 0; i < s->item_count; i++)
        any |= s->items[i].component == component && s->items[i].kind == ITEM_SPEED;
    if (!any || s->style == STYLE_PLAIN)
        return;
    out_format(o, "<%sConfiguration><%sSpecifications>\n", s->prefix, s->prefix);
    for (size_t i = 0; i < s->item_count; i++)
        if (s->items[i].component == component && s->items[i].kind == ITEM_SPEED)
            limits(o, s, s->items + i, "Specification");
    close_tag(o, s, "Specifications");
    close_tag(o, s, "Configuration");
}

static void compositions(struct out *o, const struct source *s, int component)
{
    bool any = false;

    for (size_t i = 0; i < s->composition_count; i++) {
        if (s->compositions[i].component != component)
            continue;
        if (!any)
            out_format(o, "<%sCompositions>", s->prefix);
        any = true;
        out_format(o, "<%sComposition id=\"%s\" type=\"%s\"/>", s->prefix, s->compositions[i].id,
                   s->compositions[i].type);
    }
    if (any)
        close_tag(o, s, "Compositions");
}

static bool has_children(const struct source *s, int component)
{
    for (size_t i = 0; i < s->component_count; i++)
        if (s->components[i].parent == component)
            return true;
    return false;
}

static void open_component(struct out *o, const struct fleet *f, const struct source *s, int component)
{
    const struct component *c = s->components + component;
    const struct device *d = s->devices + c->device;

    open_tag(o, s, c->element);
    out_format(o, " id=\"%s\" name=\"%s\"", c->id, c->name);
    if (c->parent == NONE)
        out_format(o, " uuid=\"%s\"", d->uuid);
    if (c->parent == NONE && s->style == STYLE_COMPONENT)
        out_format(o, " mtconnectVersion=\"%s\"", s->version);
    out_text(o, ">\n");
    if (c->parent == NONE && d->machine != NONE) {
        open_tag(o, s, "Description");
        out_format(o, " manufacturer=\"Wendelbrück\" serialNumber=\"%s\">",
                   f->machines[d->machine].asset_number);
        out_xml(o, f->machines[d->machine].name);
        close_tag(o, s, "Description");
    }
}

/* A component and what stands below it; the tree is a few levels deep. */
static void component(struct out *o, const struct fleet *f, const struct source *s, int index)
{
    open_component(o, f, s, index);
    configuration(o, s, index);
    data_items(o, s, index);
    if (has_children(s, index)) {
        out_format(o, "<%sComponents>\n", s->prefix);
        for (size_t i = 0; i < s->component_count; i++)
            if (s->components[i].parent == index)
                component(o, f, s, (int)i);
        close_tag(o, s, "Components");
    }
    compositions(o, s, index);
    close_tag(o, s, s->components[index].element);
}

void mtconnect_probe(struct out *o, const struct fleet *f, const struct view *v, int device)
{
    const struct source *s = v->source;

    mtconnect_begin(o, v, "Devices", 0);
    out_format(o, "<%sDevices>\n", s->prefix);
    for (size_t i = 0; i < s->component_count; i++)
        if (s->components[i].parent == NONE && (device == NONE || s->components[i].device == device))
            component(o, f, s, (int)i);
    close_tag(o, s, "Devices");
    close_tag(o, s, "MTConnectDevices");
}
