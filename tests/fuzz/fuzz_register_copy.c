/* Any bytes as a copy of the register: it is refused, or comes back the same when it is encoded again. */
#include "demand.h"
#include "register_copy.h"
#include "segment.h"
#include "wire.h"

static void try_copy(const uint8_t *bytes, size_t size, struct arena *mem)
{
    struct bindings first, second;
    struct err err = {0};
    size_t encoded_size;
    if (!register_copy_decode(bytes, size, mem, &first, &err)) {
        demand(err.kind == ERR_INPUT && err.text[0], "a damaged copy is told as one");
        return;
    }
    const uint8_t *encoded = register_copy_encode(&first, mem, &encoded_size);
    demand(register_copy_decode(encoded, encoded_size, mem, &second, &err), "what is encoded decodes");
    demand(first.count == second.count, "no source is lost");
    for (size_t k = 0; k < first.count; k++) {
        demand(first.sources[k].item_count == second.sources[k].item_count, "no binding is lost");
        demand(first.sources[k].unseen == second.sources[k].unseen, "what was never seen stays so");
    }
}

static void add(struct wire_writer *file, uint64_t number, const uint8_t *payload, size_t size)
{
    size_t record_size;
    const uint8_t *record = segment_record(number, payload, size, file->mem, &record_size);
    wire_put_bytes(file, record, record_size);
}

/* A check sum is hard to guess: the input as the one source of a sound file. */
static void try_source(const uint8_t *data, size_t size, struct arena *mem)
{
    static const uint8_t head[] = {REGISTER_COPY_VERSION, 1}; /* sources */
    struct wire_writer file = {.mem = mem};
    add(&file, 0, head, sizeof head);
    add(&file, 1, data, size);
    try_copy(file.bytes, file.size, mem);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct arena *mem = arena_new(SIZE_MAX);
    try_copy(data, size, mem);
    try_source(data, size, mem);
    arena_free(mem);
    return 0;
}
