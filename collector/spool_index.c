#include "spool_index.h"

#include "batch_bytes.h"
#include "schedule.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

const char *const spool_kind_name[KINDS] = {"steps", "readings"};

static void *grown(void *p, size_t *room, size_t need, size_t size)
{
    if (need <= *room)
        return p;
    *room = *room ? *room * 2 : 64;
    p = realloc(p, *room * size);
    if (!p)
        err_no_memory();
    return p;
}

void index_add_segment(struct spool *s, enum spool_kind kind, uint64_t number, uint64_t bytes)
{
    struct spool_series *x = &s->series[kind];
    x->segments = grown(x->segments, &x->room, x->count + 1, sizeof *x->segments);
    x->segments[x->count++] = (struct spool_segment){.number = number, .bytes = bytes};
    s->state.bytes += bytes;
    if (number >= s->next_segment)
        s->next_segment = number + 1;
}

void index_close_segment(struct spool *s, enum spool_kind kind)
{
    if (s->series[kind].fd >= 0)
        s->folder.disk->close(s->series[kind].fd);
    s->series[kind].fd = -1;
}

bool index_remove_segment(struct spool *s, enum spool_kind kind, size_t at)
{
    struct spool_series *x = &s->series[kind];
    char name[SEGMENT_NAME];
    segment_name(name, spool_kind_name[kind], x->segments[at].number);
    if (at + 1 == x->count)
        index_close_segment(s, kind);
    if (s->folder.disk->unlink(s->folder.fd, name) != 0 && errno != ENOENT)
        return false;
    s->state.bytes -= x->segments[at].bytes;
    memmove(x->segments + at, x->segments + at + 1, (x->count - at - 1) * sizeof *x->segments);
    x->count--;
    return true;
}

static struct spool_segment *segment_of(const struct spool *s, const struct spool_entry *e,
                                        enum spool_kind kind)
{
    const struct spool_series *x = &s->series[kind];
    for (size_t k = x->count; e->segment[kind] && k > 0; k--)
        if (x->segments[k - 1].number == e->segment[kind])
            return &x->segments[k - 1];
    return NULL;
}

bool index_has(const struct spool *s, const struct spool_entry *e, enum spool_kind kind)
{
    return segment_of(s, e, kind) != NULL;
}

void index_need(struct spool *s, const struct spool_entry *e, enum spool_kind kind, int change)
{
    struct spool_segment *g = segment_of(s, e, kind);
    if (g)
        g->waiting += (size_t)change;
}

void index_add_entry(struct spool *s, const struct spool_entry *e)
{
    s->entries = grown(s->entries, &s->room, s->count + 1, sizeof *s->entries);
    s->entries[s->count++] = *e;
    if (e->number >= s->next_number)
        s->next_number = e->number + 1;
}

size_t index_find(const struct spool *s, uint64_t number)
{
    size_t low = s->first, high = s->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (s->entries[middle].number < number)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

void index_sweep(struct spool *s)
{
    for (enum spool_kind kind = STEPS; kind < KINDS; kind++)
        for (size_t k = s->series[kind].count; k > 0; k--)
            if (s->series[kind].segments[k - 1].waiting == 0)
                index_remove_segment(s, kind, k - 1);
}

/* Ends of sources. */

static char *copy_of(const char *text)
{
    char *copy = strdup(text);
    if (!copy)
        err_no_memory();
    return copy;
}

static struct spool_source_end *end_slot(struct spool_source_end *ends, size_t slots, const char *source)
{
    size_t at = (size_t)schedule_hash(source) & (slots - 1);
    while (ends[at].source && strcmp(ends[at].source, source) != 0)
        at = (at + 1) & (slots - 1);
    return &ends[at];
}

static void make_room_for_ends(struct spool *s)
{
    if (2 * (s->end_count + 1) <= s->end_slots)
        return;
    size_t slots = s->end_slots ? s->end_slots * 2 : 64;
    struct spool_source_end *ends = calloc(slots, sizeof *ends);
    if (!ends)
        err_no_memory();
    for (size_t k = 0; k < s->end_slots; k++)
        if (s->ends[k].source)
            *end_slot(ends, slots, s->ends[k].source) = s->ends[k];
    free(s->ends);
    s->ends = ends;
    s->end_slots = slots;
}

void index_note_end(struct spool *s, const struct batch *b, uint64_t number)
{
    make_room_for_ends(s);
    struct spool_source_end *end = end_slot(s->ends, s->end_slots, b->source);
    if (!end->source) {
        end->source = copy_of(b->source);
        s->end_count++;
    } else if (number < end->number) {
        return;
    }
    free(end->instance);
    end->instance = copy_of(b->to.instance);
    end->next = b->to.next;
    end->number = number;
}

void index_forget_ends(struct spool *s)
{
    for (size_t k = 0; k < s->end_slots; k++) {
        free(s->ends[k].source);
        free(s->ends[k].instance);
    }
    free(s->ends);
    s->ends = NULL;
    s->end_count = s->end_slots = 0;
}

bool spool_end(const struct spool *s, const char *source, struct cursor *end)
{
    if (spool_empty(s) || !s->end_count)
        return false;
    const struct spool_source_end *found = end_slot(s->ends, s->end_slots, source);
    if (!found->source)
        return false;
    *end = (struct cursor){found->instance, found->next};
    return true;
}

/* What lies in the folder. */

struct opening {
    struct spool *spool;
    uint64_t segment;
};

static bool take_step(void *context, const struct record *r, const uint8_t *payload, size_t bytes)
{
    const struct opening *o = context;
    struct arena *mem = arena_new((size_t)1 << 31);
    struct batch b;
    struct err why = {0};
    bool sound = batch_step_decode(payload, bytes, mem, &b, &why);
    if (sound) {
        struct spool_entry e = {.number = r->number,
                                .received_us = b.received_us,
                                .has_states = b.condition_count || b.event_count};
        e.segment[STEPS] = o->segment;
        e.record[STEPS] = *r;
        index_add_entry(o->spool, &e);
        index_note_end(o->spool, &b, r->number);
    }
    arena_free(mem);
    return sound;
}

/* Readings without a step were never acknowledged. */
static bool take_readings(void *context, const struct record *r, const uint8_t *payload, size_t bytes)
{
    (void)payload;
    (void)bytes;
    const struct opening *o = context;
    struct spool *s = o->spool;
    size_t at = index_find(s, r->number);
    if (at < s->count && s->entries[at].number == r->number) {
        s->entries[at].segment[READINGS] = o->segment;
        s->entries[at].record[READINGS] = *r;
    }
    if (r->number >= s->next_number)
        s->next_number = r->number + 1;
    return true;
}

static int by_entry(const void *a, const void *b)
{
    const struct spool_entry *x = a, *y = b;
    return (x->number > y->number) - (x->number < y->number);
}

/* In order of their numbers, each once: one may have been written twice, after a failed sync. */
static void order_entries(struct spool *s)
{
    if (s->count)
        qsort(s->entries, s->count, sizeof *s->entries, by_entry);
    size_t kept = 0;
    for (size_t k = 0; k < s->count; k++)
        if (kept == 0 || s->entries[kept - 1].number != s->entries[k].number)
            s->entries[kept++] = s->entries[k];
    s->count = kept;
}

static int by_segment(const void *a, const void *b)
{
    const struct spool_segment *x = a, *y = b;
    return (x->number > y->number) - (x->number < y->number);
}

static bool find_segments(struct spool *s, struct err *err)
{
    int again = openat(s->folder.fd, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    DIR *d = again >= 0 ? fdopendir(again) : NULL;
    if (!d) {
        err_set(err, ERR_SYSTEM, "cannot read the spool's folder: %s", strerror(errno));
        if (again >= 0)
            close(again);
        return false;
    }
    for (const struct dirent *e; (e = readdir(d));) {
        uint64_t number;
        for (enum spool_kind kind = STEPS; kind < KINDS; kind++)
            if (segment_parse(e->d_name, spool_kind_name[kind], &number))
                index_add_segment(s, kind, number, 0);
    }
    closedir(d);
    for (enum spool_kind kind = STEPS; kind < KINDS; kind++)
        if (s->series[kind].count)
            qsort(s->series[kind].segments, s->series[kind].count, sizeof(struct spool_segment), by_segment);
    return true;
}

static bool scan(struct spool *s, enum spool_kind kind, record_fn *take, struct err *err)
{
    for (size_t k = 0; k < s->series[kind].count; k++) {
        struct spool_segment *g = &s->series[kind].segments[k];
        struct opening o = {s, g->number};
        char name[SEGMENT_NAME];
        segment_name(name, spool_kind_name[kind], g->number);
        if (!segment_scan(&s->folder, name, take, &o, &s->state.damaged, &g->bytes, err))
            return false;
        s->state.bytes += g->bytes;
    }
    return true;
}

bool index_read_folder(struct spool *s, struct err *err)
{
    if (!find_segments(s, err) || !scan(s, STEPS, take_step, err))
        return false;
    order_entries(s);
    if (!scan(s, READINGS, take_readings, err))
        return false;
    for (size_t k = 0; k < s->count; k++)
        for (enum spool_kind kind = STEPS; kind < KINDS; kind++)
            index_need(s, &s->entries[k], kind, 1);
    s->state.batches = s->count;
    index_sweep(s);
    return true;
}
