/*
 * Segments of the spool: files of records that are only ever appended to. See spool.h for what they are for.
 */
#ifndef COLLECTOR_SEGMENT_H
#define COLLECTOR_SEGMENT_H

#include "base/arena.h"
#include "disk.h"

#include <stdint.h>

struct record {
    uint64_t number;     /* of the batch */
    size_t offset, size; /* of the whole record in the file */
};

enum { SEGMENT_NAME = 64, RECORD_MAX_BYTES = 64 << 20 };

/* "steps-0000000012.seg" in buffer. */
void segment_name(char name[static SEGMENT_NAME], const char *kind, uint64_t number);
/* True for a name of this kind; *number is what stands in it. */
bool segment_parse(const char *name, const char *kind, uint64_t *number);

/* A new file, its name safely in the folder. */
MUST_USE bool segment_create(const struct folder *folder, const char *name, int *fd, struct err *err);
/* Record bytes around a payload, compressed where that helps; lives in mem. */
const uint8_t *segment_record(uint64_t number, const uint8_t *payload, size_t bytes, struct arena *mem,
                              size_t *size);
/* All bytes, or an error. */
MUST_USE bool segment_write(const struct disk *disk, int fd, const uint8_t *bytes, size_t size,
                            struct err *err);
/* What was written is on the disk. All three: ERR_OUTPUT when there is no room. */
MUST_USE bool segment_sync(const struct disk *disk, int fd, struct err *err);

/* Finds the sound records of a file; *damaged counts places where one was hurt (a cut end counts too). */
typedef bool record_fn(void *context, const struct record *r, const uint8_t *payload, size_t bytes);
MUST_USE bool segment_scan(const struct folder *folder, const char *name, record_fn *on_record, void *context,
                           uint64_t *damaged, uint64_t *file_bytes, struct err *err);
/* One record's payload, in mem. ERR_INPUT when it is damaged. */
MUST_USE bool segment_read(const struct folder *folder, const char *name, const struct record *r,
                           struct arena *mem, const uint8_t **payload, size_t *bytes, struct err *err);
/* The same from bytes in memory: *at moves past the record found. False: no further sound record. For scan
 * and fuzzing. */
bool record_next(const uint8_t *bytes, size_t size, size_t *at, struct arena *mem, struct record *r,
                 const uint8_t **payload, size_t *payload_bytes, uint64_t *damaged);

#endif
