#include "spool.h"

#include "batch_bytes.h"
#include "spool_room.h"

#include <string.h>

/* *found is false when the record is gone or damaged, which is counted once. */
static bool read_record(struct spool *s, struct spool_entry *e, enum spool_kind kind, struct arena *mem,
                        const uint8_t **payload, size_t *bytes, bool *found, struct err *err)
{
    *found = false;
    if (!e->segment[kind])
        return true;
    struct err why = {0};
    char name[SEGMENT_NAME];
    segment_name(name, spool_kind_name[kind], e->segment[kind]);
    *found = segment_read(&s->folder, name, &e->record[kind], mem, payload, bytes, &why);
    if (*found)
        return true;
    if (why.kind != ERR_INPUT) {
        *err = why;
        return false;
    }
    s->state.damaged++;
    index_need(s, e, kind, -1);
    e->segment[kind] = 0;
    return true;
}

static bool read_entry(struct spool *s, struct spool_entry *e, bool with_readings, struct arena *mem,
                       struct spooled *out, bool *found, struct err *err)
{
    const uint8_t *payload;
    size_t bytes;
    struct err why = {0};
    out->number = e->number;
    if (!read_record(s, e, STEPS, mem, &payload, &bytes, found, err))
        return false;
    if (*found && !batch_step_decode(payload, bytes, mem, &out->batch, &why)) {
        *found = false;
        s->state.damaged++;
    }
    bool has_readings = false;
    if (!*found || !with_readings || !out->batch.reading_count)
        return true;
    if (!read_record(s, e, READINGS, mem, &payload, &bytes, &has_readings, err))
        return false;
    if (has_readings && !batch_readings_decode(payload, bytes, mem, &out->batch, &why)) {
        out->batch.readings = NULL;
        s->state.damaged++;
    }
    return true;
}

bool spool_oldest(struct spool *s, size_t most, size_t most_readings, struct arena *mem, struct spooled **out,
                  size_t *count, struct err *err)
{
    size_t waiting = s->count - s->first, readings = 0;
    *out = arena_array(mem, struct spooled, waiting < most ? waiting : most);
    *count = 0;
    for (size_t k = s->first; k < s->count && *count < most && readings < most_readings; k++) {
        bool found;
        if (!read_entry(s, &s->entries[k], true, mem, &(*out)[*count], &found, err))
            return false;
        readings += found ? (*out)[*count].batch.reading_count : 0;
        *count += found;
    }
    if (*count == 0 && waiting) /* nothing that could be read is left */
        spool_done(s, s->entries[s->count - 1].number);
    return true;
}

bool spool_newest_states(struct spool *s, uint64_t after, uint64_t before, size_t most, struct arena *mem,
                         struct spooled **out, size_t *count, struct err *err)
{
    *out = arena_array(mem, struct spooled, most);
    *count = 0;
    for (size_t k = before ? index_find(s, before) : s->count; k > s->first && *count < most; k--) {
        struct spool_entry *e = &s->entries[k - 1];
        bool found = false;
        if (e->number <= after)
            return true;
        if (e->has_states && !read_entry(s, e, false, mem, &(*out)[*count], &found, err))
            return false;
        *count += found;
    }
    return true;
}

void spool_done(struct spool *s, uint64_t number)
{
    for (; s->first < s->count && s->entries[s->first].number <= number; s->first++) {
        for (enum spool_kind kind = STEPS; kind < KINDS; kind++)
            index_need(s, &s->entries[s->first], kind, -1);
        s->state.batches--;
    }
    index_sweep(s);
    if (spool_empty(s)) {
        index_forget_ends(s);
        room_keep_reserve(s);
    }
    if (s->first > s->count / 2 || spool_empty(s)) {
        memmove(s->entries, s->entries + s->first, (s->count - s->first) * sizeof *s->entries);
        s->count -= s->first;
        s->first = 0;
    }
}
