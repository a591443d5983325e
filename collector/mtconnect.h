/*
 * MTConnect XML, versions 1.0 to 2.x, to observations and device models. Pure; reads XML through
 * mtconnect_xml.h.
 *
 * Elements are matched by local name. No DTD, entities or network; depth, attribute and text sizes are
 * limited. A whole document is refused with ERR_INPUT (line and column) when it is not well-formed or not one
 * of the three documents; a single bad observation becomes a refusal and the rest is used.
 */
#ifndef COLLECTOR_MTCONNECT_H
#define COLLECTOR_MTCONNECT_H

#include "observation.h"

/* An answer to /current or /sample: Streams or Error. */
MUST_USE bool mtconnect_document(const char *bytes, size_t size, struct arena *mem, struct document *out,
                                 struct err *err);
/* An answer to /probe. */
MUST_USE bool mtconnect_model(const char *bytes, size_t size, struct arena *mem, struct model *out,
                              struct err *err);

#endif
