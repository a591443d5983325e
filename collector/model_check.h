/*
 * Whether bound items still are what they were when a person bound them: their type, units, place and name by
 * the source's own model. Pure.
 */
#ifndef COLLECTOR_MODEL_CHECK_H
#define COLLECTOR_MODEL_CHECK_H

#include "binding.h"

/*
 * Remembers what is seen for the first time, stops what has changed, and marks both as new. An item that is
 * not in the model stays as it is. Returns how many items the model does not offer. Texts are kept in mem.
 */
size_t model_check(const struct source *s, const struct model *m, struct arena *mem);

#endif
