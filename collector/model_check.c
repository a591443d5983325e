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

static void compare(struct item_check *c, const struct model_item *i, struct arena *mem)
{
    const char *type = or_none(i->type), *units = or_none(i->units);
    if (!c->type) {
        c->type = arena_strdup(mem, type);
        c->units = arena_strdup(mem, units);
        c->is_new = true;
    } else if (!c->stopped && (strcmp(c->type, type) != 0 || strcmp(c->units, units) != 0)) {
        c->stopped = arena_printf(mem, "it was %s and is now %s: load its binding again if it is still right",
                                  said(c->type, c->units, mem), said(type, units, mem));
        c->is_new = true;
    }
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
