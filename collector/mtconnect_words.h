/*
 * MTConnect's own words: names, numbers and states as they stand in documents of versions 1.0 to 2.x.
 */
#ifndef COLLECTOR_MTCONNECT_WORDS_H
#define COLLECTOR_MTCONNECT_WORDS_H

#include "intern.h"
#include "mtconnect_xml.h"
#include "observation.h"

/* "RotaryVelocity" to "ROTARY_VELOCITY"; cut at 'size'. */
void words_upper(const char *pascal, size_t length, char *out, size_t size);
/* The length without the suffix, when the name has it and something before it; else the length. */
size_t words_without(const char *name, size_t length, const char *suffix);
/* A type attribute without the prefix of an extension: "x:FAN_SPEED" to "FAN_SPEED". */
struct xml_span words_local(struct xml_span type);

bool span_is(struct xml_span s, const char *text);
/* Blanks cut off at both ends. */
struct xml_span span_trim(struct xml_span s);
/* Digits only, at most INT64_MAX. */
bool span_number(struct xml_span s, uint64_t *value);
/* NULL when not given or empty. */
const char *span_text(struct xml_span s, struct intern *texts);

/*
 * Why a sample's text cannot be used, NULL when it can: it is one finite number, or several with blanks
 * between (a position in space, a time series).
 */
const char *words_sample_fault(struct xml_span text);

#endif
