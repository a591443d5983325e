#include "column.h"

#include <endian.h>
#include <float.h>
#include <math.h>
#include <string.h>

/* What a number is predicted from. The values stand in stored blocks: never change them. */
enum prediction { SAME = 0, FIRST = 1, PREVIOUS = 2, GRID = 3 };
enum { PREDICTION_MASK = 3, ZIGZAG_FLAG = 4, ALL_FLAGS = 7 };

enum {
    MAX_WIDTH = 56,     /* so that an offset and the bits before it in its byte fit into 64 */
    STEP_FRACTION = 16, /* bits of the grid's step behind the point */
    SAMPLE = 256,       /* residuals that decide about the prediction */
    HEAD_BYTES = 2 + 4 * VARINT_BYTES,
    SLACK = sizeof(uint64_t),
    PATCH_BYTES = 2 * VARINT_BYTES
};

struct plan {
    enum prediction prediction;
    bool zigzag; /* residuals on both sides of the base; else all are at or above it */
    int width;
    int64_t first, base;
    uint64_t step;
    size_t patches;
    double bits; /* estimate for choosing */
};

static uint64_t zigzag(int64_t v)
{
    return ((uint64_t)v << 1) ^ (v < 0 ? UINT64_MAX : 0);
}

static int64_t unzigzag(uint64_t v)
{
    return (int64_t)((v >> 1) ^ (0 - (v & 1)));
}

/* Differences and sums wrap round: whatever the numbers, decoding undoes encoding. */
static int64_t minus(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a - (uint64_t)b);
}

static int64_t plus(int64_t a, int64_t b)
{
    return (int64_t)((uint64_t)a + (uint64_t)b);
}

static int bits_of(uint64_t v)
{
    return v ? 64 - __builtin_clzll(v) : 0;
}

uint8_t *varint_put(uint8_t *out, uint64_t v)
{
    for (; v >= 128; v >>= 7)
        *out++ = (uint8_t)(v | 128);
    *out++ = (uint8_t)v;
    return out;
}

bool varint_get(struct byte_view *in, uint64_t *v)
{
    *v = 0;
    for (int shift = 0; in->left; shift += 7) {
        uint8_t byte = *in->next++;
        in->left--;
        if (shift == 63 && byte > 1)
            return false;
        *v |= (uint64_t)(byte & 127) << shift;
        if (byte < 128)
            return true;
    }
    return false;
}

/* The grid's distance from the first number; the shift keeps the sign. */
static int64_t grid_offset(size_t i, uint64_t step)
{
    return (int64_t)(i * step) >> STEP_FRACTION;
}

/* The slope of the least-squares line through the numbers: jitter hardly tilts it. */
static uint64_t grid_step(const int64_t *values, size_t count)
{
    double middle = (double)(count - 1) / 2, top = 0, bottom = 0;
    for (size_t i = 0; i < count; i++) {
        double x = (double)i - middle;
        top += x * (double)minus(values[i], values[0]);
        bottom += x * x;
    }
    double step = bottom > 0 ? top / bottom * (1 << STEP_FRACTION) : 0;
    return fabs(step) < 0x1p62 ? (uint64_t)llround(step) : 0;
}

/* Every stride-th residual, from that of number 1 on. Returns how many. */
static size_t residuals(const int64_t *values, size_t count, size_t stride, const struct plan *p,
                        int64_t *out)
{
    size_t n = 0;
    switch (p->prediction) {
    case PREVIOUS:
        for (size_t i = 1; i < count; i += stride)
            out[n++] = minus(values[i], values[i - 1]);
        break;
    case GRID:
        for (size_t i = 1; i < count; i += stride)
            out[n++] = minus(values[i], plus(values[0], grid_offset(i, p->step)));
        break;
    case SAME:
    case FIRST:
        for (size_t i = 1; i < count; i += stride)
            out[n++] = minus(values[i], values[0]);
        break;
    }
    return n;
}

static uint64_t offset_of(const struct plan *p, int64_t residual)
{
    int64_t from_base = minus(residual, p->base);
    return p->zigzag ? zigzag(from_base) : (uint64_t)from_base;
}

/* The width at which offsets and patches together are shortest. */
static void choose_width(struct plan *p, const int64_t *r, size_t count)
{
    size_t of_bits[65] = {0}, patches = 0;
    for (size_t i = 0; i < count; i++)
        of_bits[bits_of(offset_of(p, r[i]))]++;
    double patch_bits = 0;
    p->bits = DBL_MAX;
    for (int width = 64; width >= 0; width--) {
        double bits = (double)count * width + patch_bits;
        if (width <= MAX_WIDTH && bits < p->bits) {
            p->bits = bits;
            p->width = width;
            p->patches = patches;
        }
        patches += of_bits[width];
        int bytes_each = 2 + width / 7;
        patch_bits += (double)of_bits[width] * 8 * bytes_each;
    }
}

/* Base and width: from the lowest residual upwards, or round the mean where outliers lie on both sides. */
static void choose_packing(struct plan *p, const int64_t *r, size_t count)
{
    int64_t low = r[0];
    uint64_t sum = (uint64_t)r[0];
    for (size_t i = 1; i < count; i++) {
        low = r[i] < low ? r[i] : low;
        sum += (uint64_t)r[i];
    }
    struct plan round_mean = *p;
    p->zigzag = false;
    p->base = low;
    choose_width(p, r, count);
    round_mean.zigzag = true;
    round_mean.base = plus(low, (int64_t)((sum - count * (uint64_t)low) / count));
    choose_width(&round_mean, r, count);
    if (round_mean.bits < p->bits)
        *p = round_mean;
}

static bool all_same(const int64_t *values, size_t count)
{
    for (size_t i = 1; i < count; i++)
        if (values[i] != values[0])
            return false;
    return true;
}

/* A sample decides about the prediction, all residuals about the packing; they are left in r. */
static struct plan choose_plan(const int64_t *values, size_t count, int64_t *r)
{
    static const enum prediction candidates[] = {FIRST, PREVIOUS, GRID};
    size_t stride = count / SAMPLE + 1;
    struct plan best = {.prediction = SAME, .first = values[0], .bits = DBL_MAX};
    if (count < 2 || all_same(values, count))
        return best;
    uint64_t step = grid_step(values, count);
    for (size_t k = 0; k < sizeof candidates / sizeof *candidates; k++) {
        struct plan p = {.prediction = candidates[k], .first = values[0], .step = step};
        choose_packing(&p, r, residuals(values, count, stride, &p, r));
        if (p.bits < best.bits)
            best = p;
    }
    choose_packing(&best, r, residuals(values, count, 1, &best, r));
    return best;
}

/* Offsets as one run of bits, the lowest first. Writes up to SLACK bytes past the end. */
static uint8_t *put_offsets(uint8_t *out, const struct plan *p, const int64_t *r, size_t count)
{
    uint64_t limit = UINT64_C(1) << p->width, bits = 0;
    int filled = 0;
    for (size_t i = 0; i < count; i++) {
        uint64_t offset = offset_of(p, r[i]);
        bits |= (offset < limit ? offset : 0) << filled;
        filled += p->width;
        uint64_t little = htole64(bits);
        memcpy(out, &little, sizeof little);
        out += filled / 8;
        bits >>= filled & ~7;
        filled &= 7;
    }
    return out + (filled > 0);
}

/* The offsets that need more bits: how many numbers after the last one, and the whole offset. */
static uint8_t *put_patches(uint8_t *out, const struct plan *p, const int64_t *r, size_t count)
{
    size_t next = 0;
    for (size_t i = 0; i < count; i++) {
        uint64_t offset = offset_of(p, r[i]);
        if (offset >> p->width) {
            out = varint_put(out, i - next);
            out = varint_put(out, offset);
            next = i + 1;
        }
    }
    return out;
}

void column_encode(const int64_t *values, size_t count, int64_t *scratch, struct buffer *out)
{
    struct plan p = choose_plan(values, count, scratch);
    size_t packed = (count * (size_t)p.width + 7) / 8;
    uint8_t *start = buffer_room(out, HEAD_BYTES + packed + SLACK + p.patches * PATCH_BYTES), *to = start;

    *to++ = (uint8_t)(p.prediction | (p.zigzag ? ZIGZAG_FLAG : 0));
    to = varint_put(to, zigzag(p.first));
    if (p.prediction != SAME) {
        if (p.prediction == GRID)
            to = varint_put(to, zigzag((int64_t)p.step));
        to = varint_put(to, zigzag(p.base));
        *to++ = (uint8_t)p.width;
        to = varint_put(to, p.patches);
        to = put_offsets(to, &p, scratch, count - 1);
        to = put_patches(to, &p, scratch, count - 1);
    }
    out->used += (size_t)(to - start);
}

static bool get_signed(struct byte_view *in, int64_t *v)
{
    uint64_t raw;
    if (!varint_get(in, &raw))
        return false;
    *v = unzigzag(raw);
    return true;
}

static bool get_byte(struct byte_view *in, uint8_t *v)
{
    if (!in->left)
        return false;
    *v = *in->next++;
    in->left--;
    return true;
}

static bool get_plan(struct byte_view *in, struct plan *p)
{
    uint8_t mode, width = 0;
    uint64_t patches = 0;
    int64_t step = 0;
    *p = (struct plan){0};
    if (!get_byte(in, &mode) || mode > ALL_FLAGS || !get_signed(in, &p->first))
        return false;
    p->prediction = mode & PREDICTION_MASK;
    p->zigzag = mode & ZIGZAG_FLAG;
    if (p->prediction == SAME)
        return true;
    if (p->prediction == GRID && !get_signed(in, &step))
        return false;
    if (!get_signed(in, &p->base) || !get_byte(in, &width) || width > MAX_WIDTH || !varint_get(in, &patches))
        return false;
    p->step = (uint64_t)step;
    p->width = width;
    p->patches = patches;
    return true;
}

/* The 8 bytes at a place, lowest first; those past the end count as 0. */
static uint64_t load_at(const struct byte_view *in, size_t at)
{
    uint64_t little = 0;
    if (in->left - at >= sizeof little)
        memcpy(&little, in->next + at, sizeof little);
    else
        memcpy(&little, in->next + at, in->left - at);
    return le64toh(little);
}

static bool get_offsets(struct byte_view *in, int width, uint64_t *offsets, size_t count)
{
    size_t packed = (count * (size_t)width + 7) / 8;
    if (packed > in->left)
        return false;
    if (width == 0) {
        memset(offsets, 0, count * sizeof *offsets);
        return true;
    }
    uint64_t mask = (UINT64_C(1) << width) - 1;
    size_t bit = 0;
    for (size_t i = 0; i < count; i++, bit += (size_t)width)
        offsets[i] = load_at(in, bit / 8) >> (bit & 7) & mask;
    in->next += packed;
    in->left -= packed;
    return true;
}

static bool get_patches(struct byte_view *in, size_t patches, uint64_t *offsets, size_t count)
{
    size_t next = 0;
    for (size_t k = 0; k < patches; k++) {
        uint64_t gap, offset;
        if (!varint_get(in, &gap) || !varint_get(in, &offset) || next >= count || gap >= count - next)
            return false;
        next += gap;
        offsets[next++] = offset;
    }
    return true;
}

/* From offsets to numbers, in place: offset k belongs to number k + 1. */
static void undo(const struct plan *p, int64_t *values, size_t count)
{
    const uint64_t *offsets = (const uint64_t *)values + 1;
    for (size_t i = 1; i < count; i++) {
        uint64_t offset = offsets[i - 1];
        values[i] = plus(p->base, p->zigzag ? unzigzag(offset) : (int64_t)offset);
    }
    values[0] = p->first;
    switch (p->prediction) {
    case PREVIOUS:
        for (size_t i = 1; i < count; i++)
            values[i] = plus(values[i], values[i - 1]);
        break;
    case GRID:
        for (size_t i = 1; i < count; i++)
            values[i] = plus(values[i], plus(p->first, grid_offset(i, p->step)));
        break;
    case SAME:
    case FIRST:
        for (size_t i = 1; i < count; i++)
            values[i] = plus(values[i], p->first);
        break;
    }
}

bool column_decode(struct byte_view *in, int64_t *values, size_t count)
{
    struct plan p;
    if (!get_plan(in, &p))
        return false;
    if (p.prediction == SAME) {
        for (size_t i = 0; i < count; i++)
            values[i] = p.first;
        return true;
    }
    uint64_t *offsets = (uint64_t *)values + 1;
    if (!get_offsets(in, p.width, offsets, count - 1) || !get_patches(in, p.patches, offsets, count - 1))
        return false;
    undo(&p, values, count);
    return true;
}
