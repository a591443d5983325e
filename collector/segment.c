#include "segment.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <zlib.h>
#include <zstd.h>

/*
 * A record: magic, number of the batch, length of the payload as stored, its length when decompressed (0: it
 * is stored plain), CRC-32 of these numbers and the payload; all little end first. Then the payload.
 */
static const uint8_t MAGIC[4] = {0xf5, 'V', 'w', 0xfa}; /* 0xf5 and 0xfa never stand in UTF-8 */
enum { HEAD_BYTES = 4 + 8 + 4 + 4 + 4, ZSTD_LEVEL = 1, PIECE_BYTES = 1 << 16 };

static void put_le(uint8_t *p, uint64_t v, int bytes)
{
    for (int k = 0; k < bytes; k++)
        p[k] = (uint8_t)(v >> (8 * k));
}

static uint64_t get_le(const uint8_t *p, int bytes)
{
    uint64_t v = 0;
    for (int k = 0; k < bytes; k++)
        v |= (uint64_t)p[k] << (8 * k);
    return v;
}

static uint32_t check_sum(const uint8_t *record, size_t payload_bytes)
{
    uLong crc = crc32_z(0, record + 4, 16);
    return (uint32_t)crc32_z(crc, record + HEAD_BYTES, payload_bytes);
}

void segment_name(char name[static SEGMENT_NAME], const char *kind, uint64_t number)
{
    snprintf(name, SEGMENT_NAME, "%s-%010" PRIu64 ".seg", kind, number);
}

bool segment_parse(const char *name, const char *kind, uint64_t *number)
{
    char again[SEGMENT_NAME];
    size_t n = strlen(kind);
    if (strncmp(name, kind, n) != 0 || name[n] != '-' || sscanf(name + n + 1, "%" SCNu64, number) != 1)
        return false;
    segment_name(again, kind, *number);
    return strcmp(again, name) == 0;
}

static enum err_kind kind_of(int why)
{
    return why == ENOSPC || why == EDQUOT ? ERR_OUTPUT : ERR_SYSTEM;
}

bool segment_create(const struct folder *folder, const char *name, int *fd, struct err *err)
{
    *fd = folder->disk->open(folder->fd, name, O_RDWR | O_CREAT | O_EXCL | O_APPEND);
    if (*fd < 0)
        return err_set(err, kind_of(errno), "cannot create spool segment '%s': %s", name, strerror(errno));
    if (folder->disk->sync_folder(folder->fd) != 0) {
        err_set(err, kind_of(errno), "cannot sync the spool's folder: %s", strerror(errno));
        folder->disk->close(*fd);
        folder->disk->unlink(folder->fd, name);
        *fd = -1;
        return false;
    }
    return true;
}

const uint8_t *segment_record(uint64_t number, const uint8_t *payload, size_t bytes, struct arena *mem,
                              size_t *size)
{
    size_t bound = ZSTD_compressBound(bytes);
    uint8_t *record = arena_alloc(mem, HEAD_BYTES + (bound > bytes ? bound : bytes));
    size_t packed = ZSTD_compress(record + HEAD_BYTES, bound, payload, bytes, ZSTD_LEVEL);
    bool plain = ZSTD_isError(packed) || packed >= bytes;
    if (plain)
        memcpy(record + HEAD_BYTES, payload, bytes);
    size_t stored = plain ? bytes : packed;
    memcpy(record, MAGIC, sizeof MAGIC);
    put_le(record + 4, number, 8);
    put_le(record + 12, stored, 4);
    put_le(record + 16, plain ? 0 : bytes, 4);
    put_le(record + 20, check_sum(record, stored), 4);
    *size = HEAD_BYTES + stored;
    return record;
}

bool segment_write(const struct disk *disk, int fd, const uint8_t *bytes, size_t size, struct err *err)
{
    while (size) {
        ssize_t n = disk->write(fd, bytes, size);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return err_set(err, n < 0 ? kind_of(errno) : ERR_OUTPUT, "cannot write the spool: %s",
                           n < 0 ? strerror(errno) : "nothing was taken");
        bytes += n;
        size -= (size_t)n;
    }
    return true;
}

bool segment_sync(const struct disk *disk, int fd, struct err *err)
{
    return disk->sync(fd) == 0 || err_set(err, kind_of(errno), "cannot sync the spool: %s", strerror(errno));
}

/* A sound record at p: its payload in mem (or in place), and its whole size. */
static bool record_at(const uint8_t *p, size_t size, struct arena *mem, struct record *r,
                      const uint8_t **payload, size_t *payload_bytes)
{
    if (size < HEAD_BYTES || memcmp(p, MAGIC, sizeof MAGIC) != 0)
        return false;
    size_t stored = get_le(p + 12, 4), whole = get_le(p + 16, 4);
    if (stored > size - HEAD_BYTES || stored > RECORD_MAX_BYTES || whole > RECORD_MAX_BYTES ||
        get_le(p + 20, 4) != check_sum(p, stored))
        return false;
    r->number = get_le(p + 4, 8);
    r->size = HEAD_BYTES + stored;
    *payload = p + HEAD_BYTES;
    *payload_bytes = stored;
    if (whole) {
        uint8_t *plain = arena_alloc(mem, whole);
        if (ZSTD_decompress(plain, whole, p + HEAD_BYTES, stored) != whole)
            return false;
        *payload = plain;
        *payload_bytes = whole;
    }
    return true;
}

bool record_next(const uint8_t *bytes, size_t size, size_t *at, struct arena *mem, struct record *r,
                 const uint8_t **payload, size_t *payload_bytes, uint64_t *damaged)
{
    size_t from = *at;
    while (from < size) {
        if (record_at(bytes + from, size - from, mem, r, payload, payload_bytes)) {
            *damaged += from != *at;
            r->offset = from;
            *at = from + r->size;
            return true;
        }
        const uint8_t *next = memmem(bytes + from + 1, size - from - 1, MAGIC, sizeof MAGIC);
        from = next ? (size_t)(next - bytes) : size;
    }
    *damaged += *at < size;
    *at = size;
    return false;
}

/* All bytes of a file, in mem; what the disk does not give back is zero, and so a damaged place. */
static bool read_file(const struct folder *folder, const char *name, struct arena **mem,
                      const uint8_t **bytes, size_t *size, struct err *err)
{
    int fd = folder->disk->open(folder->fd, name, O_RDONLY);
    struct stat st;
    if (fd < 0 || fstat(fd, &st) != 0) {
        err_set(err, ERR_SYSTEM, "cannot open spool segment '%s': %s", name, strerror(errno));
        if (fd >= 0)
            folder->disk->close(fd);
        return false;
    }
    *size = (size_t)st.st_size;
    *mem = arena_new(*size + (size_t)4 * RECORD_MAX_BYTES);
    uint8_t *all = arena_alloc(*mem, *size + 1);
    *bytes = all;
    for (size_t at = 0; at < *size;) {
        size_t piece = *size - at < PIECE_BYTES ? *size - at : PIECE_BYTES;
        ssize_t n = folder->disk->pread(fd, all + at, piece, (off_t)at);
        at += n > 0 ? (size_t)n : piece;
    }
    folder->disk->close(fd);
    return true;
}

bool segment_scan(const struct folder *folder, const char *name, record_fn *on_record, void *context,
                  uint64_t *damaged, uint64_t *file_bytes, struct err *err)
{
    struct arena *whole;
    const uint8_t *bytes, *payload;
    size_t size, at = 0, payload_bytes;
    *file_bytes = 0;
    if (!read_file(folder, name, &whole, &bytes, &size, err))
        return false;
    *file_bytes = size;
    struct arena *mem = arena_new((size_t)4 * RECORD_MAX_BYTES);
    struct record r;
    while (record_next(bytes, size, &at, mem, &r, &payload, &payload_bytes, damaged)) {
        if (!on_record(context, &r, payload, payload_bytes))
            ++*damaged;
        arena_reset(mem);
    }
    arena_free(mem);
    arena_free(whole);
    return true;
}

/* An error that says nothing of the record itself: the next attempt may succeed. */
static bool may_pass(int why)
{
    return why == EMFILE || why == ENFILE || why == ENOMEM || why == EACCES || why == EINTR;
}

bool segment_read(const struct folder *folder, const char *name, const struct record *r, struct arena *mem,
                  const uint8_t **payload, size_t *bytes, struct err *err)
{
    uint8_t *whole = arena_alloc(mem, r->size);
    int fd = folder->disk->open(folder->fd, name, O_RDONLY);
    ssize_t n = fd < 0 ? -1 : folder->disk->pread(fd, whole, r->size, (off_t)r->offset);
    int why = errno;
    if (fd >= 0)
        folder->disk->close(fd);
    if (n < 0)
        return err_set(err, may_pass(why) ? ERR_SYSTEM : ERR_INPUT, "cannot read spool segment '%s': %s",
                       name, strerror(why));
    struct record found;
    if ((size_t)n != r->size || !record_at(whole, r->size, mem, &found, payload, bytes) ||
        found.number != r->number)
        return err_set(err, ERR_INPUT, "damaged record at byte %zu of spool segment '%s'", r->offset, name);
    return true;
}
