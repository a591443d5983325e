#include "base/csv.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Places are within the input, and grow; fields are trimmed text. */
struct watch {
    int line, column;
};

static bool on_row(void *context, const struct csv_row *row, struct err *err)
{
    struct watch *w = context;
    bool any = false;
    if (row->count == 0 || row->line != row->field_line[0])
        abort();
    for (size_t k = 0; k < row->count; k++) {
        int line = row->field_line[k], column = row->column[k];
        if (line < w->line || column < 1 || (line == w->line && column <= w->column && w->column))
            abort();
        *w = (struct watch){line, column};
        any = any || *row->field[k];
    }
    if (!any)
        abort();
    return strcmp(row->field[0], "stop") != 0 || err_set(err, ERR_INPUT, "stopped");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct watch watch = {1, 0};
    struct err err = {0};
    bool good = csv_read_bytes("fuzz", (const char *)data, size, on_row, &watch, &err);
    if (good != (err.kind == ERR_NONE))
        abort();
    return 0;
}
