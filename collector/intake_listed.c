#include "intake_listed.h"

#include <stdlib.h>
#include <string.h>

/* One of the conditions that a state tells of an item. */
struct told {
    const struct item_binding *item;
    const struct observation *observation;
};

static bool is_condition(const struct item_binding *b)
{
    return b && (b->role == ROLE_DRIVE_CONDITION || b->role == ROLE_AXIS_CONDITION);
}

static int by_item(const void *left, const void *right)
{
    const struct told *a = left, *b = right;
    int order = strcmp(a->item->device, b->item->device);
    if (!order)
        order = strcmp(a->item->item, b->item->item);
    uint64_t x = a->observation->sequence, y = b->observation->sequence;
    return order ? order : (x > y) - (x < y);
}

static struct told *told_of(const struct source *s, const struct document *d, struct arena *mem,
                            size_t *count)
{
    struct told *told = arena_array(mem, struct told, d->count);
    *count = 0;
    for (size_t k = 0; k < d->count; k++) {
        const struct observation *o = &d->observations[k];
        if (o->category != CATEGORY_CONDITION)
            continue;
        const struct item_binding *b = source_item(s, o->device, o->device_name, o->item);
        if (is_condition(b))
            told[(*count)++] = (struct told){b, o};
    }
    if (*count)
        qsort(told, *count, sizeof *told, by_item);
    return told;
}

/* A refusal without an item, or one for many, may be of any. */
static bool is_told_in_full(const struct document *d, const char *item)
{
    for (size_t k = 0; k < d->refused; k++) {
        const char *refused = d->refusals[k].item;
        if (!refused || !*refused || strcmp(refused, item) == 0)
            return false;
    }
    return true;
}

static bool is_active(const struct observation *o)
{
    return o->state == STATE_WARNING || o->state == STATE_ALARM;
}

static const char *id_of(const struct observation *o)
{
    return o->condition_id ? o->condition_id : o->native_code ? o->native_code : "";
}

/* NULL: nothing is to be said. */
static const char *ids_of(const struct told *told, size_t count, struct arena *mem)
{
    size_t bytes = 1;
    bool is_of_use = false;
    for (size_t k = 0; k < count; k++) {
        const struct observation *o = told[k].observation;
        if (o->state == STATE_UNAVAILABLE)
            return NULL;
        bytes += strlen(id_of(o)) + 1;
        is_of_use |= is_active(o) || *id_of(o);
    }
    if (!is_of_use)
        return NULL;
    char *ids = arena_alloc(mem, bytes), *end = ids;
    for (size_t k = 0; k < count; k++)
        if (is_active(told[k].observation))
            end = stpcpy(stpcpy(end, id_of(told[k].observation)), "\n");
    *end = '\0';
    return ids;
}

static struct condition_row row_of(const struct told *told, const char *ids, uint64_t sequence, int64_t at_us,
                                   struct arena *mem)
{
    struct observation *o = arena_alloc(mem, sizeof *o);
    *o = (struct observation){
        .sequence = sequence,
        .at_us = at_us,
        .category = CATEGORY_CONDITION,
        .device = arena_strdup(mem, told->observation->device),
        .item = arena_strdup(mem, told->observation->item),
        .type = arena_strdup(mem, told->observation->type),
        .value = ids,
        .state = STATE_LISTED,
    };
    return (struct condition_row){
        .observation = o,
        .drive = arena_strdup(mem, told->item->drive),
        .axis = arena_strdup(mem, told->item->axis),
        .machine = arena_strdup(mem, told->item->machine),
    };
}

void intake_listed(const struct source *s, const struct poll_result *answer, int64_t at_us, struct arena *mem,
                   struct batch *out)
{
    const struct document *d = answer->state;
    if (!d || d->test_data)
        return;
    size_t count;
    struct told *told = told_of(s, d, mem, &count);
    out->conditions = arena_grow(mem, out->conditions, out->condition_count, out->condition_count + count,
                                 sizeof *out->conditions);
    for (size_t k = 0, n; k < count; k += n) {
        const struct item_binding *b = told[k].item;
        for (n = 1; k + n < count && told[k + n].item == b; n++)
            continue;
        bool is_stopped = b->check && b->check->stopped;
        const char *ids = is_stopped || !is_told_in_full(d, b->item) ? NULL : ids_of(&told[k], n, mem);
        if (ids)
            out->conditions[out->condition_count++] =
                row_of(&told[k], ids, answer->state_end - 1, at_us, mem);
    }
}
