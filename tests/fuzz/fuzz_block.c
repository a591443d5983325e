#include "block.h"

#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Whatever decodes must survive a second round: packed again, it gives the same readings. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct arena *mem = arena_new(SIZE_MAX);
    struct reading *readings, *again;
    size_t count, bytes, count_again;
    struct err err = {0};

    if (block_decode(data, size, mem, &readings, &count, &err)) {
        const uint8_t *block = block_encode(readings, count, mem, &bytes);
        if (!block_decode(block, bytes, mem, &again, &count_again, &err) || count_again != count ||
            memcmp(readings, again, count * sizeof *readings) != 0)
            BUG("a block of %zu readings does not come back", count);
    } else if (err.kind != ERR_INPUT || !err.text[0]) {
        BUG("a damaged block is not told as one");
    }
    arena_free(mem);
    return 0;
}
