#include "parcel.h"

#include "column.h"

#include <string.h>

/* Number of origins, then of each the journal row, the receipt and the readings, as columns; then a block. */

static void put_origins(const struct pile *p, int64_t *values, int64_t *scratch, struct buffer *out)
{
    size_t n = p->origin_count;
    for (size_t k = 0; k < n; k++)
        values[k] = p->origins[k].journal_no;
    column_encode(values, n, scratch, out);
    for (size_t k = 0; k < n; k++)
        values[k] = p->origins[k].received_us;
    column_encode(values, n, scratch, out);
    memset(values, 0, n * sizeof *values);
    for (size_t k = 0; k < p->count; k++)
        values[p->all[k].origin]++;
    column_encode(values, n, scratch, out);
}

static void put_readings(const struct pile *p, struct reading *readings, struct arena *mem,
                         struct buffer *out)
{
    size_t bytes;
    for (size_t k = 0; k < p->count; k++)
        readings[k] = p->all[k].reading;
    const uint8_t *block = block_encode(readings, p->count, mem, &bytes);
    buffer_add(out, block, bytes);
}

const uint8_t *parcel_encode(const struct pile *p, struct arena *mem, size_t *bytes)
{
    struct buffer numbers = {0}, readings = {0}, out = {0};
    uint8_t *head = buffer_room(&out, VARINT_BYTES);
    out.used = (size_t)(varint_put(head, p->origin_count) - head);
    int64_t *values = buffer_room(&numbers, 2 * p->origin_count * sizeof *values);
    put_origins(p, values, values + p->origin_count, &out);
    put_readings(p, buffer_room(&readings, p->count * sizeof(struct reading)), mem, &out);

    uint8_t *parcel = arena_alloc(mem, out.used);
    memcpy(parcel, out.data, out.used);
    *bytes = out.used;
    buffer_free(&numbers);
    buffer_free(&readings);
    buffer_free(&out);
    return parcel;
}

static bool get_origins(struct byte_view *in, struct arena *mem, struct parcel *p)
{
    size_t n = p->origin_count;
    int64_t *numbers = arena_array(mem, int64_t, n), *received = arena_array(mem, int64_t, n);
    p->counts = arena_array(mem, int64_t, n);
    if (!column_decode(in, numbers, n) || !column_decode(in, received, n) || !column_decode(in, p->counts, n))
        return false;
    p->origins = arena_array(mem, struct origin, n);
    for (size_t k = 0; k < n; k++)
        p->origins[k] = (struct origin){numbers[k], received[k]};
    return true;
}

static bool counts_add_up(const struct parcel *p)
{
    size_t left = p->count;
    for (size_t k = 0; k < p->origin_count; k++) {
        if (p->counts[k] < 1 || (uint64_t)p->counts[k] > left)
            return false;
        left -= (size_t)p->counts[k];
    }
    return !left;
}

bool parcel_decode(const uint8_t *bytes, size_t size, struct arena *mem, struct parcel *out, struct err *err)
{
    struct byte_view in = {bytes, size};
    uint64_t n;
    if (!varint_get(&in, &n) || n < 1 || n > BLOCK_MAX_READINGS)
        return err_set(err, ERR_INPUT, "a damaged parcel: wrong count");
    *out = (struct parcel){.origin_count = n};
    if (!get_origins(&in, mem, out))
        return err_set(err, ERR_INPUT, "a damaged parcel of %zu bytes", size);
    if (!block_decode(in.next, in.left, mem, &out->readings, &out->count, err))
        return false;
    return counts_add_up(out) || err_set(err, ERR_INPUT, "a damaged parcel of %zu readings", out->count);
}
