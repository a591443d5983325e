/*
 * Batches that the database could not take yet, kept on disk in the order in which they were read.
 *
 * A batch lies in two records: its readings, and its step (cursor, state changes, gaps), written last: a
 * batch without its step was never acknowledged. Records stand in append-only segments, each with a magic
 * number, a length and a CRC-32, and are compressed where that makes them smaller; a damaged record costs
 * itself only, the reader goes on at the next magic. When room runs out the oldest readings go first, whole
 * segments at a time; steps stay. One process holds a spool.
 */
#ifndef COLLECTOR_SPOOL_H
#define COLLECTOR_SPOOL_H

#include "batch.h"
#include "disk.h"

struct spool;

struct spool_limits {
    uint64_t max_bytes; /* of all segments together */
    uint64_t
        segment_bytes; /* a segment is closed when it has grown past this, or a share of the room there is */
    double low_free;   /* share of the file system, 0..1: with less of it free, people are warned */
    double min_free;   /* the share that readings leave free */
    uint64_t reserve_bytes; /* of a file that is the first to go when the disk is full; a sixteenth of a small
                               disk; 0: none */
};
/* 2 GiB in segments of 16 MiB; a warning at a fifth free, a tenth left free; 64 MiB in reserve. */
extern const struct spool_limits spool_usual_limits;

struct spool_state {
    uint64_t batches, bytes;   /* waiting; bytes of all segments on disk */
    int64_t oldest_us;         /* receipt of the oldest batch waiting; TIME_UNKNOWN when empty */
    uint64_t damaged;          /* records that could not be read, since open */
    uint64_t readings_dropped; /* batches whose readings went to make room, since open */
    uint64_t reserve_bytes;    /* kept for the day on which the disk is full */
};

/* How the disk of a spool is. */
struct spool_disk {
    enum { DISK_WELL, DISK_LOW, DISK_SHORT } level; /* short: plain readings are not kept any more */
    double free;                                    /* share of it, 0..1 */
    bool is_read_only;
};

/* ERR_SYSTEM when 'dir' cannot be made, read or written; ERR_CONFIG when another process holds it. */
MUST_USE bool spool_open(struct spool **s, const char *dir, const struct spool_limits *limits,
                         struct err *err);
/* The same on another disk. */
MUST_USE bool spool_open_on(struct spool **s, const struct disk *disk, const char *dir,
                            const struct spool_limits *limits, struct err *err);
void spool_close(struct spool *s); /* NULL is fine */

/*
 * On return the batches are on the disk (fdatasync), or *err says why none of them counts: the same batches
 * may be given again. ERR_OUTPUT: no room even after all readings went.
 */
MUST_USE bool spool_append(struct spool *s, const struct batch *batches, size_t count, struct err *err);

bool spool_empty(const struct spool *s);
struct spool_state spool_state(const struct spool *s);
/* False, and a disk that is well: it cannot be asked. */
bool spool_disk(const struct spool *s, struct spool_disk *out);
/* The share below which a disk is at this level. */
double spool_free_below(const struct spool *s, int level);
/* The end of the newest batch of a source, while anything waits. False: the spool holds nothing of it. */
bool spool_end(const struct spool *s, const char *source, struct cursor *end);

/* A batch that waits. readings NULL with reading_count > 0: they went to make room, or were damaged. */
struct spooled {
    uint64_t number; /* rises from batch to batch */
    struct batch batch;
};
/* The oldest batches, at most so many of them and, after the first, of their readings, in mem. Damaged steps
 * are passed over; *count 0: none waits. */
MUST_USE bool spool_oldest(struct spool *s, size_t most, size_t most_readings, struct arena *mem,
                           struct spooled **out, size_t *count, struct err *err);
/* The newest with a number above 'after' and below 'before' (0: no limit) that hold state changes, newest
 * first, without readings. */
MUST_USE bool spool_newest_states(struct spool *s, uint64_t after, uint64_t before, size_t most,
                                  struct arena *mem, struct spooled **out, size_t *count, struct err *err);
/* All up to and including this number are stored: their room is given back. */
void spool_done(struct spool *s, uint64_t number);
/* Keeps batches for a person, in a file of the folder that is never read again; *name says which. */
MUST_USE bool spool_set_aside(struct spool *s, const struct batch *batches, size_t count,
                              char name[static 64], struct err *err);

/* What lies in a folder, whoever holds it: bytes of its segments, and the receipt of the first batch in the
 * oldest of them (batches before the oldest that waits may still lie there). A folder that is missing is
 * empty. */
MUST_USE bool spool_look(const char *dir, uint64_t *bytes, int64_t *oldest_us, struct err *err);
/* The disk that a folder lies on, by the usual limits, and what is held in reserve there. False: it cannot be
 * asked. */
bool spool_look_at_disk(const char *dir, struct spool_disk *out, uint64_t *reserve_bytes);

#endif
