#include "spool.h"

#include "batch_bytes.h"
#include "spool_room.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

const struct spool_limits spool_usual_limits = {.max_bytes = UINT64_C(2) << 30,
                                                .segment_bytes = UINT64_C(16) << 20,
                                                .low_free = 0.2,
                                                .min_free = 0.1,
                                                .reserve_bytes = UINT64_C(64) << 20};

static const char HINT_ROOM[] = "bring the database back, or give the spool more room (--spool-max-mb)";

/* The name of a new folder goes to the disk, too. */
static bool sync_parent(const struct spool *s)
{
    int parent = openat(s->folder.fd, "..", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    bool ok = parent >= 0 && s->folder.disk->sync_folder(parent) == 0;
    if (parent >= 0)
        close(parent);
    return ok;
}

static bool open_folder(struct spool *s, const char *dir, struct err *err)
{
    bool is_new = mkdir(dir, 0700) == 0;
    if (!is_new && errno != EEXIST)
        return err_set(err, ERR_SYSTEM, "cannot make spool folder '%s': %s", dir, strerror(errno));
    s->folder.fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (s->folder.fd < 0)
        return err_set(err, ERR_SYSTEM, "cannot open spool folder '%s': %s", dir, strerror(errno));
    return !is_new || sync_parent(s) ||
           err_set(err, ERR_SYSTEM, "cannot sync the folder of '%s': %s", dir, strerror(errno));
}

/* Not open for writing: a disk that became read-only can still be drained, and remounted either way. */
static bool lock_folder(struct spool *s, const char *dir, struct err *err)
{
    s->lock = openat(s->folder.fd, "lock", O_RDONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (s->lock < 0)
        return err_set(err, ERR_SYSTEM, "cannot write to spool folder '%s': %s", dir, strerror(errno));
    if (flock(s->lock, LOCK_EX | LOCK_NB) == 0)
        return true;
    err_set(err, ERR_CONFIG, "another collector holds spool folder '%s'", dir);
    return err_hint(err, "give each collector a folder of its own with --spool");
}

bool spool_open(struct spool **out, const char *dir, const struct spool_limits *limits, struct err *err)
{
    return spool_open_on(out, &disk_real, dir, limits, err);
}

bool spool_open_on(struct spool **out, const struct disk *disk, const char *dir,
                   const struct spool_limits *limits, struct err *err)
{
    struct spool *s = calloc(1, sizeof *s);
    if (!s)
        err_no_memory();
    *s = (struct spool){
        .folder = {disk, -1}, .lock = -1, .limits = *limits, .next_number = 1, .next_segment = 1};
    s->series[STEPS].fd = s->series[READINGS].fd = -1;
    *out = s;
    if (open_folder(s, dir, err) && lock_folder(s, dir, err) && index_read_folder(s, err)) {
        room_fit(s);
        room_keep_reserve(s);
        return true;
    }
    spool_close(s);
    *out = NULL;
    return false;
}

void spool_close(struct spool *s)
{
    if (!s)
        return;
    for (enum spool_kind kind = STEPS; kind < KINDS; kind++) {
        index_close_segment(s, kind);
        free(s->series[kind].segments);
    }
    if (s->lock >= 0)
        close(s->lock);
    if (s->folder.fd >= 0)
        close(s->folder.fd);
    index_forget_ends(s);
    free(s->entries);
    free(s);
}

/* Appending. */

struct piece {
    const uint8_t *bytes;
    size_t size; /* 0: no such record */
};

struct appending {
    size_t count;
    struct piece *pieces[KINDS];
    uint64_t bytes[KINDS];
    struct spool_entry *entries;
};

static struct piece *pieces_of(const struct spool *s, enum spool_kind kind, const struct batch *batches,
                               size_t count, struct arena *mem, uint64_t *total)
{
    struct piece *pieces = arena_array(mem, struct piece, count);
    for (size_t k = 0; k < count; k++) {
        size_t bytes;
        const uint8_t *payload = kind == STEPS ? batch_step_encode(&batches[k], mem, &bytes)
                                               : batch_readings_encode(&batches[k], mem, &bytes);
        if (payload)
            pieces[k].bytes = segment_record(s->next_number + k, payload, bytes, mem, &pieces[k].size);
        *total += pieces[k].size;
    }
    return pieces;
}

/* An open segment with room, a new one where needed. */
static bool open_segment(struct spool *s, enum spool_kind kind, struct err *err)
{
    struct spool_series *x = &s->series[kind];
    if (x->fd >= 0 && x->segments[x->count - 1].bytes < s->limits.segment_bytes)
        return true;
    index_close_segment(s, kind);
    char name[SEGMENT_NAME];
    segment_name(name, spool_kind_name[kind], s->next_segment);
    if (!segment_create(&s->folder, name, &x->fd, err)) {
        s->next_segment++; /* the name may have stayed */
        return false;
    }
    index_add_segment(s, kind, s->next_segment, 0);
    return true;
}

/* The last segment as it was before; nothing is written to it again. */
static void take_back(struct spool *s, enum spool_kind kind, uint64_t bytes)
{
    struct spool_series *x = &s->series[kind];
    struct spool_segment *g = &x->segments[x->count - 1];
    if (s->folder.disk->truncate(x->fd, (off_t)bytes) == 0) {
        s->state.bytes -= g->bytes - bytes;
        g->bytes = bytes;
    } /* else the same batches will be there twice, which the chain of cursors sees */
    index_close_segment(s, kind);
    if (g->bytes == 0)
        index_remove_segment(s, kind, x->count - 1);
}

/*
 * All pieces of one kind to the disk; entries learn where. A failed sync is never tried again on the same
 * file: the kernel may have dropped the pages and marked them clean (PostgreSQL's "PANIC on fsync failure",
 * 2018), so the next attempt writes all of it to a new segment.
 */
static bool write_pieces(struct spool *s, enum spool_kind kind, struct appending *a, struct err *err)
{
    if (a->bytes[kind] == 0)
        return true;
    if (!open_segment(s, kind, err))
        return false;
    struct spool_series *x = &s->series[kind];
    struct spool_segment *g = &x->segments[x->count - 1];
    uint64_t before = g->bytes;
    for (size_t k = 0; k < a->count; k++) {
        const struct piece *p = &a->pieces[kind][k];
        struct spool_entry *e = &a->entries[k];
        if (!p->size)
            continue;
        bool written = segment_write(s->folder.disk, x->fd, p->bytes, p->size, err);
        e->segment[kind] = g->number;
        e->record[kind] = (struct record){.number = e->number, .offset = g->bytes, .size = p->size};
        g->bytes += p->size;
        s->state.bytes += p->size;
        if (!written) {
            take_back(s, kind, before);
            return false;
        }
    }
    if (segment_sync(s->folder.disk, x->fd, err))
        return true;
    take_back(s, kind, before);
    return false;
}

/* Once more where the file was at fault; where room was, as long as anything can be given for it. */
static bool write_stubbornly(struct spool *s, enum spool_kind kind, struct appending *a, struct err *err)
{
    struct err first = {0};
    if (write_pieces(s, kind, a, &first))
        return true;
    for (bool again = true; again;) {
        struct err why = {0};
        if (write_pieces(s, kind, a, &why))
            return true;
        again = why.kind == ERR_OUTPUT && room_give(s);
        if (!again)
            *err = why;
    }
    return err_in(err, "after '%s'", first.text);
}

/* The readings of these batches cannot be kept. */
static void give_up_readings(struct spool *s, struct appending *a)
{
    for (size_t k = 0; k < a->count; k++) {
        s->state.readings_dropped += a->pieces[READINGS][k].size != 0;
        a->entries[k].segment[READINGS] = 0;
    }
    a->bytes[READINGS] = 0;
}

/* Steps may fill the disk, but not go beyond what the spool was given. */
static bool write_all(struct spool *s, struct appending *a, struct err *err)
{
    if (!room_make(s, a->bytes[STEPS] + a->bytes[READINGS]))
        give_up_readings(s, a);
    if (s->state.bytes + a->bytes[STEPS] > s->limits.max_bytes) {
        err_set(err, ERR_OUTPUT,
                "the spool is full: %" PRIu64 " bytes lie in it, all plain readings went already",
                s->state.bytes);
        return err_hint(err, "%s", HINT_ROOM);
    }
    struct err why = {0};
    if (!write_stubbornly(s, READINGS, a, &why)) {
        if (why.kind != ERR_OUTPUT) {
            *err = why;
            return false;
        }
        give_up_readings(s, a);
    }
    if (write_stubbornly(s, STEPS, a, err))
        return true;
    return err->kind == ERR_OUTPUT && err_hint(err, "%s", HINT_ROOM);
}

static bool append(struct spool *s, const struct batch *batches, size_t count, struct arena *mem,
                   struct err *err)
{
    struct appending a = {.count = count, .entries = arena_array(mem, struct spool_entry, count)};
    for (enum spool_kind kind = STEPS; kind < KINDS; kind++)
        a.pieces[kind] = pieces_of(s, kind, batches, count, mem, &a.bytes[kind]);
    for (size_t k = 0; k < count; k++)
        a.entries[k] =
            (struct spool_entry){.number = s->next_number + k,
                                 .received_us = batches[k].received_us,
                                 .has_states = batches[k].condition_count || batches[k].event_count};
    /* Numbers are used up even by a failed attempt: a half-written step must not meet a later batch's
     * readings. */
    s->next_number += count;
    if (!write_all(s, &a, err)) {
        index_sweep(s);
        return false;
    }
    for (size_t k = 0; k < count; k++) {
        if (!index_has(s, &a.entries[k], READINGS)) { /* went again, to make room for the steps */
            s->state.readings_dropped += a.entries[k].segment[READINGS] != 0;
            a.entries[k].segment[READINGS] = 0;
        }
        index_add_entry(s, &a.entries[k]);
        for (enum spool_kind kind = STEPS; kind < KINDS; kind++)
            index_need(s, &a.entries[k], kind, 1);
        index_note_end(s, &batches[k], a.entries[k].number);
    }
    s->state.batches += count;
    return true;
}

bool spool_append(struct spool *s, const struct batch *batches, size_t count, struct err *err)
{
    struct arena *mem = arena_new((size_t)4 << 30);
    bool ok = append(s, batches, count, mem, err);
    arena_free(mem);
    return ok;
}

static bool write_aside(const struct disk *disk, int fd, const struct batch *b, struct err *err)
{
    struct arena *mem = arena_new((size_t)4 << 30);
    size_t bytes, size;
    const uint8_t *payload = batch_step_encode(b, mem, &bytes);
    const uint8_t *record = segment_record(0, payload, bytes, mem, &size);
    bool ok = segment_write(disk, fd, record, size, err);
    if (ok && b->readings) {
        payload = batch_readings_encode(b, mem, &bytes);
        record = payload ? segment_record(0, payload, bytes, mem, &size) : NULL;
        ok = !record || segment_write(disk, fd, record, size, err);
    }
    arena_free(mem);
    return ok;
}

bool spool_set_aside(struct spool *s, const struct batch *batches, size_t count, char name[static 64],
                     struct err *err)
{
    int fd;
    segment_name(name, "refused", s->next_segment++);
    if (!segment_create(&s->folder, name, &fd, err))
        return false;
    bool ok = true;
    for (size_t k = 0; k < count && ok; k++)
        ok = write_aside(s->folder.disk, fd, &batches[k], err);
    ok = ok && segment_sync(s->folder.disk, fd, err);
    s->folder.disk->close(fd);
    return ok;
}

bool spool_empty(const struct spool *s)
{
    return s->first == s->count;
}

struct spool_state spool_state(const struct spool *s)
{
    struct spool_state state = s->state;
    state.oldest_us = spool_empty(s) ? TIME_UNKNOWN : s->entries[s->first].received_us;
    return state;
}
