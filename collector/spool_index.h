/*
 * Inside the spool only: which segments there are, which batches wait, and where their records lie.
 */
#ifndef COLLECTOR_SPOOL_INDEX_H
#define COLLECTOR_SPOOL_INDEX_H

#include "segment.h"
#include "spool.h"

enum spool_kind { STEPS, READINGS, KINDS };
extern const char *const spool_kind_name[KINDS];

struct spool_segment {
    uint64_t number, bytes;
    size_t waiting; /* batches that need it */
};

/* Where a batch that waits lies. */
struct spool_entry {
    uint64_t number;
    uint64_t segment[KINDS]; /* 0: no such record */
    struct record record[KINDS];
    int64_t received_us;
    bool has_states;
};

struct spool_series {
    struct spool_segment *segments; /* oldest first; the last one is open while fd >= 0 */
    size_t count, room;
    int fd;
};

/* The newest batch of a source. */
struct spool_source_end {
    char *source, *instance;
    uint64_t next, number;
};

struct spool {
    struct folder folder;
    int lock;
    struct spool_limits limits;
    struct spool_series series[KINDS];
    struct spool_entry *entries; /* by number; those before 'first' are done */
    size_t first, count, room;
    struct spool_source_end *ends; /* open addressing by source; a power of two of them */
    size_t end_count, end_slots;
    uint64_t next_number, next_segment;
    struct spool_state state;
};

void index_add_segment(struct spool *s, enum spool_kind kind, uint64_t number, uint64_t bytes);
void index_close_segment(struct spool *s, enum spool_kind kind);
/* False: its file stays, and so does it; the next sweep tries again. */
bool index_remove_segment(struct spool *s, enum spool_kind kind, size_t at);
bool index_has(const struct spool *s, const struct spool_entry *e, enum spool_kind kind);
/* The batch needs its segment, or needs it no more. */
void index_need(struct spool *s, const struct spool_entry *e, enum spool_kind kind, int change);
void index_add_entry(struct spool *s, const struct spool_entry *e);
/* Notes where the newest batch of its source ends. */
void index_note_end(struct spool *s, const struct batch *b, uint64_t number);
void index_forget_ends(struct spool *s);
/* The first entry with this number or a higher one; s->count: none. */
size_t index_find(const struct spool *s, uint64_t number);
/* Removes the segments that nothing needs. */
void index_sweep(struct spool *s);
/* Fills an empty index from the folder. */
MUST_USE bool index_read_folder(struct spool *s, struct err *err);

#endif
