#include "mtconnect_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The array with room for one more. */
static void *with_room(struct arena *mem, void *parts, size_t count, size_t *capacity, size_t size)
{
    if (count < *capacity)
        return parts;
    *capacity = *capacity ? 2 * *capacity : 16;
    return arena_grow(mem, parts, count, *capacity, size);
}

struct model_part *parts_item(struct model_parts *p)
{
    p->items = with_room(p->mem, p->items, p->item_count, &p->item_capacity, sizeof *p->items);
    return &p->items[p->item_count++];
}

struct model_composition *parts_composition(struct model_parts *p)
{
    p->compositions = with_room(p->mem, p->compositions, p->composition_count, &p->composition_capacity,
                                sizeof *p->compositions);
    return &p->compositions[p->composition_count++];
}

struct model_specification *parts_specification(struct model_parts *p)
{
    p->specifications = with_room(p->mem, p->specifications, p->specification_count,
                                  &p->specification_capacity, sizeof *p->specifications);
    return &p->specifications[p->specification_count++];
}

static int by_id(const void *a, const void *b)
{
    return strcmp(((const struct model_composition *)a)->id, ((const struct model_composition *)b)->id);
}

static int by_text(const char *a, const char *b)
{
    return strcmp(a ? a : "", b ? b : "");
}

/* The component counts only where nothing closer is named. */
static size_t holder(const struct model_specification *s)
{
    return s->item || s->composition ? 0 : s->component;
}

static int by_reference(const void *a, const void *b)
{
    const struct model_specification *s = a, *t = b;
    int item = by_text(s->item, t->item), composition = by_text(s->composition, t->composition);
    if (item || composition)
        return item ? item : composition;
    if (holder(s) != holder(t))
        return holder(s) < holder(t) ? -1 : 1;
    return by_text(s->type, t->type);
}

static const struct model_specification *find(const struct model_parts *p,
                                              const struct model_specification *key)
{
    if (!p->specification_count)
        return NULL;
    return bsearch(key, p->specifications, p->specification_count, sizeof *key, by_reference);
}

/* What is said of the item itself counts before what is said of its composition or component. */
static const struct model_specification *specification_of(const struct model_parts *p,
                                                          const struct model_part *i)
{
    const char *type = i->item.type;
    const struct model_specification *s =
        find(p, &(struct model_specification){.item = i->item.item, .type = type});
    if (!s && i->composition)
        s = find(p, &(struct model_specification){.composition = i->composition, .type = type});
    if (!s && !i->composition)
        s = find(p, &(struct model_specification){.component = i->component, .type = type});
    bool other_units = s && s->units && i->item.units && strcmp(s->units, i->item.units) != 0;
    return other_units ? NULL : s;
}

static void take_limits(struct model_item *item, const struct model_limits *l)
{
    item->minimum = isnan(l->minimum) ? item->minimum : l->minimum;
    item->nominal = isnan(l->nominal) ? item->nominal : l->nominal;
    item->lower_warning = l->lower_warning;
    item->lower_limit = l->lower_limit;
}

static const char *type_of_composition(const struct model_parts *p, const char *id)
{
    const struct model_composition key = {.id = id}, *c = NULL;
    if (id && p->composition_count)
        c = bsearch(&key, p->compositions, p->composition_count, sizeof *c, by_id);
    return c ? c->type : NULL;
}

void parts_resolve(struct model_parts *p, struct model *out)
{
    if (p->composition_count)
        qsort(p->compositions, p->composition_count, sizeof *p->compositions, by_id);
    if (p->specification_count)
        qsort(p->specifications, p->specification_count, sizeof *p->specifications, by_reference);

    out->count = p->item_count;
    out->items = arena_array(p->mem, struct model_item, out->count);
    for (size_t k = 0; k < out->count; k++) {
        struct model_part *i = &p->items[k];
        i->item.composition = type_of_composition(p, i->composition);
        i->item.composition_id = i->item.composition ? i->composition : NULL;
        const struct model_specification *s = specification_of(p, i);
        if (s)
            take_limits(&i->item, &s->limits);
        out->items[k] = i->item;
    }
}
