/*
 * A batch as bytes and back: what lies in the spool. Pure.
 *
 * Two halves, because their fates differ when room runs out: the step (cursor, state changes, gaps, what was
 * set aside) and the readings. A half decodes on its own; damaged bytes are ERR_INPUT, never a crash.
 */
#ifndef COLLECTOR_BATCH_BYTES_H
#define COLLECTOR_BATCH_BYTES_H

#include "batch.h"

const uint8_t *batch_step_encode(const struct batch *b, struct arena *mem, size_t *bytes);
/* Everything but the readings; reading_count is what the batch had, readings is NULL. */
MUST_USE bool batch_step_decode(const uint8_t *p, size_t bytes, struct arena *mem, struct batch *out,
                                struct err *err);

/* NULL and *bytes 0 for a batch without readings. */
const uint8_t *batch_readings_encode(const struct batch *b, struct arena *mem, size_t *bytes);
MUST_USE bool batch_readings_decode(const uint8_t *p, size_t bytes, struct arena *mem, struct batch *b,
                                    struct err *err);

#endif
