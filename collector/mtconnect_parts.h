/*
 * The parts of an MTConnect device model that refer to each other in any order: data items, compositions, and
 * the limits of Specifications.
 */
#ifndef COLLECTOR_MTCONNECT_PARTS_H
#define COLLECTOR_MTCONNECT_PARTS_H

#include "observation.h"

/* NAN: not given. */
struct model_limits {
    double minimum, lower_warning, lower_limit, nominal;
};

struct model_part {
    struct model_item item;
    const char *composition; /* id; NULL: of the component itself */
    size_t component;        /* number of the component that holds it */
};

struct model_composition {
    const char *id, *type;
};

/* Of an item by its id, or of all items of a type of a composition, or else of the component that holds it.
 */
struct model_specification {
    const char *item, *composition, *type, *units;
    size_t component;
    struct model_limits limits;
};

struct model_parts {
    struct arena *mem;
    struct model_part *items;
    size_t item_count, item_capacity;
    struct model_composition *compositions;
    size_t composition_count, composition_capacity;
    struct model_specification *specifications;
    size_t specification_count, specification_capacity;
};

/* The new part, to be filled; it may move when the next one of its kind is added. */
struct model_part *parts_item(struct model_parts *p);
struct model_composition *parts_composition(struct model_parts *p);
struct model_specification *parts_specification(struct model_parts *p);

/* When all are known: the items in their order, with composition and limits looked up. */
void parts_resolve(struct model_parts *p, struct model *out);

#endif
