#include "block.h"

#include "base/clock.h"
#include "column.h"

#include <string.h>

/*
 * A block: version, count, then as columns the fans, the moments (after the number of their unit), whether a
 * reading is unavailable, and the speeds (after their unit) of those that are not.
 */
enum { VERSION = 1 };

/* Times in microseconds, milliseconds or seconds; speeds in thousandths to whole rev/min. */
static const int64_t time_units[] = {1, 1000, US_PER_S};
static const int64_t speed_units[] = {1, 10, 100, 1000};
enum { TIME_UNITS = 3, SPEED_UNITS = 4 };

/* Divides all, unless one leaves a rest. Inline, since to divide by a number that the compiler knows takes a
 * fifth of the time. */
static inline bool divide(int64_t *values, size_t count, int64_t unit)
{
    for (size_t i = 0; i < count; i++)
        if (values[i] % unit)
            return false;
    for (size_t i = 0; i < count; i++)
        values[i] /= unit;
    return true;
}

/* The number of the largest unit that leaves no rest anywhere; the values are in it then. */
static uint8_t to_time_unit(int64_t *values, size_t count)
{
    return divide(values, count, US_PER_S) ? 2 : divide(values, count, 1000);
}

static uint8_t to_speed_unit(int64_t *values, size_t count)
{
    return divide(values, count, 1000) ? 3 : divide(values, count, 100) ? 2 : divide(values, count, 10);
}

static void put_columns(const struct reading *readings, size_t count, int64_t *values, int64_t *scratch,
                        struct buffer *out)
{
    size_t speeds = 0;
    for (size_t i = 0; i < count; i++)
        values[i] = readings[i].fan_no;
    column_encode(values, count, scratch, out);

    for (size_t i = 0; i < count; i++)
        values[i] = readings[i].at_us;
    uint8_t unit = to_time_unit(values, count);
    buffer_add(out, &unit, 1);
    column_encode(values, count, scratch, out);

    for (size_t i = 0; i < count; i++)
        values[i] = readings[i].milli_rpm == RPM_UNAVAILABLE;
    column_encode(values, count, scratch, out);

    for (size_t i = 0; i < count; i++)
        if (readings[i].milli_rpm != RPM_UNAVAILABLE)
            values[speeds++] = readings[i].milli_rpm;
    if (!speeds)
        return;
    unit = to_speed_unit(values, speeds);
    buffer_add(out, &unit, 1);
    column_encode(values, speeds, scratch, out);
}

const uint8_t *block_encode(const struct reading *readings, size_t count, struct arena *mem, size_t *bytes)
{
    if (count < 1 || count > BLOCK_MAX_READINGS)
        BUG("a block of %zu readings", count);
    struct buffer numbers = {0}, out = {0};
    int64_t *values = buffer_room(&numbers, 2 * count * sizeof *values);
    uint8_t *head = buffer_room(&out, 1 + VARINT_BYTES);
    *head = VERSION;
    out.used = (size_t)(varint_put(head + 1, count) - head);
    put_columns(readings, count, values, values + count, &out);

    uint8_t *block = arena_alloc(mem, out.used);
    memcpy(block, out.data, out.used);
    *bytes = out.used;
    buffer_free(&numbers);
    buffer_free(&out);
    return block;
}

static bool get_unit(struct byte_view *in, const int64_t *units, int n, int64_t *unit)
{
    if (!in->left || *in->next >= n)
        return false;
    *unit = units[*in->next++];
    in->left--;
    return true;
}

static bool get_fans(struct byte_view *in, int64_t *values, struct reading *out, size_t count)
{
    if (!column_decode(in, values, count))
        return false;
    for (size_t i = 0; i < count; i++) {
        if (values[i] < 0 || values[i] > UINT32_MAX)
            return false;
        out[i].fan_no = (uint32_t)values[i];
    }
    return true;
}

static bool get_times(struct byte_view *in, int64_t *values, struct reading *out, size_t count)
{
    int64_t unit;
    if (!get_unit(in, time_units, TIME_UNITS, &unit) || !column_decode(in, values, count))
        return false;
    for (size_t i = 0; i < count; i++)
        if (__builtin_mul_overflow(values[i], unit, &out[i].at_us))
            return false;
    return true;
}

static bool get_unavailable(struct byte_view *in, int64_t *values, struct reading *out, size_t count,
                            size_t *speeds)
{
    if (!column_decode(in, values, count))
        return false;
    *speeds = 0;
    for (size_t i = 0; i < count; i++) {
        if (values[i] != 0 && values[i] != 1)
            return false;
        out[i].milli_rpm = values[i] ? RPM_UNAVAILABLE : 0;
        *speeds += !values[i];
    }
    return true;
}

static bool get_speeds(struct byte_view *in, int64_t *values, struct reading *out, size_t count,
                       size_t speeds)
{
    int64_t unit;
    if (!speeds)
        return true;
    if (!get_unit(in, speed_units, SPEED_UNITS, &unit) || !column_decode(in, values, speeds))
        return false;
    int64_t limit = INT32_MAX / unit;
    for (size_t i = 0; i < count; i++) {
        if (out[i].milli_rpm == RPM_UNAVAILABLE)
            continue;
        int64_t speed = *values++;
        if (speed < -limit || speed > limit)
            return false;
        out[i].milli_rpm = (int32_t)(speed * unit);
    }
    return true;
}

static bool get_columns(struct byte_view *in, struct reading *out, size_t count)
{
    struct buffer numbers = {0};
    int64_t *values = buffer_room(&numbers, count * sizeof *values);
    size_t speeds;
    bool good = get_fans(in, values, out, count) && get_times(in, values, out, count) &&
                get_unavailable(in, values, out, count, &speeds) &&
                get_speeds(in, values, out, count, speeds);
    buffer_free(&numbers);
    return good;
}

bool block_decode(const uint8_t *block, size_t bytes, struct arena *mem, struct reading **readings,
                  size_t *count, struct err *err)
{
    struct byte_view in = {block, bytes};
    uint64_t n;
    if (!bytes)
        return err_set(err, ERR_INPUT, "an empty block of readings");
    if (*block != VERSION)
        return err_set(err, ERR_INPUT, "a block of readings has version %d, this program reads %d", *block,
                       VERSION);
    in.next++;
    in.left--;
    if (!varint_get(&in, &n) || n < 1 || n > BLOCK_MAX_READINGS)
        return err_set(err, ERR_INPUT, "a damaged block of readings: wrong count");
    *readings = arena_array(mem, struct reading, n);
    *count = n;
    if (!get_columns(&in, *readings, n) || in.left)
        return err_set(err, ERR_INPUT, "a damaged block of %zu readings in %zu bytes", *count, bytes);
    return true;
}
