/*
 * The readings feed, our own JSON over HTTP (defined in feed.md beside this file), to observations and device
 * models. Pure; the decoders' only user of jansson. Bad JSON is ERR_INPUT with line and column.
 */
#ifndef COLLECTOR_FEED_H
#define COLLECTOR_FEED_H

#include "observation.h"

/* An answer to /current or /sample: observations or an error. */
MUST_USE bool feed_document(const char *bytes, size_t size, struct arena *mem, struct document *out,
                            struct err *err);
/* An answer to /probe: the items on offer. */
MUST_USE bool feed_model(const char *bytes, size_t size, struct arena *mem, struct model *out,
                         struct err *err);

#endif
