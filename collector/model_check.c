#include "model_check.h"

#include <string.h>

static const char *or_none(const char *text)
{
    return text ? text : "";
}

/* "TEMPERATURE in CELSIUS" */
static const char *said(const char *type, const char *units, struct arena *mem)
{
    const char *kind = *type ? type : "of no type";
    return *units ? arena_printf(mem, "%s in %s", kind, units) : kind;
}

/* "Linear[X]/FAN[x_fan]"; the composition counts too: the items of several fans may stand in one component.
 */
static const char *place_of(const struct model_item *i, struct arena *mem)
{
    const char *path = or_none(i->path);
    if (!i->composition)
        return path;
    return arena_printf(mem, "%s/%s[%s]", path, i->composition, or_none(i->composition_id));
}

/* "'speed' of Linear[X]" */
static const char *stands(const char *name, const char *place, struct arena *mem)
{
    return arena_printf(mem, "'%s' of %s", name, *place ? place : "the device");
}

static void stop(struct item_check *c, const char *before, const char *now, struct arena *mem)
{
    c->stopped = arena_printf(mem, "it was %s and is now %s: load its binding again if it is still right",
                              before, now);
    c->is_new = true;
}

static bool differs(const char *a, const char *b)
{
    return strcmp(a, b) != 0;
}

static void compare(struct item_check *c, const struct model_item *i, struct arena *mem)
{
    const char *type = or_none(i->type), *units = or_none(i->units);
    const char *place = place_of(i, mem), *name = or_none(i->name);
    if (!c->type) {
        c->type = arena_strdup(mem, type);
        c->units = arena_strdup(mem, units);
    }
    if (!c->place) { /* also of an item that was first seen before its place was kept */
        c->place = arena_strdup(mem, place);
        c->name = arena_strdup(mem, name);
        c->is_new = true;
    }
    if (c->stopped)
        return;
    if (differs(c->type, type) || differs(c->units, units))
        stop(c, said(c->type, c->units, mem), said(type, units, mem), mem);
    else if (differs(c->place, place) || differs(c->name, name))
        stop(c, stands(c->name, c->place, mem), stands(name, place, mem), mem);
}

size_t model_check(const struct source *s, const struct model *m, struct arena *mem)
{
    size_t found = 0;
    for (size_t k = 0; k < m->count; k++) {
        const struct model_item *i = &m->items[k];
        const struct item_binding *b = source_item(s, i->device, i->device_name, i->item);
        if (!b || !b->check)
            continue;
        compare(b->check, i, mem);
        found++;
    }
    return found < s->item_count ? s->item_count - found : 0;
}
