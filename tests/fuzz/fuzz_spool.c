/* Any bytes as a segment: records are found or passed over, and what decodes as a batch comes back the same
 * when it is encoded again. */
#include "batch_bytes.h"
#include "demand.h"
#include "segment.h"

#include <string.h>

static void try_batch(const uint8_t *payload, size_t bytes, struct arena *mem)
{
    struct batch first, second;
    struct err err = {0};
    size_t size, again_size;
    if (!batch_step_decode(payload, bytes, mem, &first, &err)) {
        demand(err.kind == ERR_INPUT && err.text[0], "a damaged batch is told as one");
        struct batch readings = {.reading_count = 1};
        struct err why = {0};
        if (!batch_readings_decode(payload, bytes, mem, &readings, &why))
            demand(why.kind == ERR_INPUT, "damaged readings are told as such");
        return;
    }
    const uint8_t *encoded = batch_step_encode(&first, mem, &size);
    demand(batch_step_decode(encoded, size, mem, &second, &err), "what is encoded decodes");
    const uint8_t *again = batch_step_encode(&second, mem, &again_size);
    demand(size == again_size && memcmp(encoded, again, size) == 0, "a batch comes back the same");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct record r;
    const uint8_t *payload;
    size_t at = 0, bytes, before = 0;
    uint64_t damaged = 0;
    while (record_next(data, size, &at, mem, &r, &payload, &bytes, &damaged)) {
        demand(r.offset >= before && r.offset + r.size == at && at <= size,
               "records lie one behind the other");
        before = at;
        try_batch(payload, bytes, mem);
    }
    demand(at == size, "all bytes are looked at");
    demand(damaged <= size, "damage is counted by place");
    /* A check sum is hard to guess: the input as a payload, too. */
    try_batch(data, size, mem);
    arena_free(mem);
    return 0;
}
