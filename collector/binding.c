#include "binding.h"

#include "base/hash.h"
#include "columns.h"
#include "queries.h"

#include <string.h>

enum {
    SOURCE_SITE,
    SOURCE_KEY,
    SOURCE_URL,
    SOURCE_FORMAT,
    SOURCE_PERIOD,
    SOURCE_INSTANCE,
    SOURCE_NEXT,
    SOURCE_BUFFER,
    SOURCE_CONTACT,
    SOURCE_FAILURES,
    SOURCE_CREDENTIAL,
    SOURCE_CA_FILE,
    SOURCE_PINNED_KEY,
    SOURCE_NETWORKS
};
enum {
    ITEM_SITE,
    ITEM_SOURCE,
    ITEM_DEVICE,
    ITEM_ITEM,
    ITEM_ROLE,
    ITEM_FAN_NO,
    ITEM_DRIVE,
    ITEM_AXIS,
    ITEM_MACHINE,
    ITEM_TYPE,
    ITEM_UNITS,
    ITEM_STOPPED,
    ITEM_PLACE,
    ITEM_NAME
};
enum { LIFE_SITE, LIFE_SOURCE, LIFE_INSTANCE, LIFE_NEXT };
enum { CURSOR_SOURCE, CURSOR_INSTANCE, CURSOR_NEXT };

static const char *const role_words[] = {
    [ROLE_FAN_SPEED] = "fan_speed",
    [ROLE_DRIVE_CONDITION] = "drive_condition",
    [ROLE_AXIS_CONDITION] = "axis_condition",
    [ROLE_AVAILABILITY] = "availability",
    [ROLE_POWER] = "power",
};

static enum item_role role_of(const char *word)
{
    for (int k = ROLE_FAN_SPEED; k <= ROLE_POWER; k++) {
        if (strcmp(word, role_words[k]) == 0)
            return (enum item_role)k;
    }
    BUG("role '%s'", word);
}

static size_t slot_of(const struct source *s, const char *device, const char *item)
{
    uint64_t hash = hash_text(hash_text(HASH_BEGIN, device) * 31, item); /* the factor separates them */
    return (size_t)(hash ^ (hash >> 29)) & (s->slot_count - 1);
}

void source_bind(struct source *s, const struct item_binding *items, size_t count, struct arena *mem)
{
    s->item_count = count;
    s->slot_count = 8;
    while (s->slot_count < 2 * count)
        s->slot_count *= 2;
    s->slots = arena_array(mem, const struct item_binding *, s->slot_count);
    for (size_t k = 0; k < count; k++) {
        size_t at = slot_of(s, items[k].device, items[k].item);
        while (s->slots[at])
            at = (at + 1) & (s->slot_count - 1);
        s->slots[at] = &items[k];
    }
}

static const struct item_binding *find(const struct source *s, const char *device, const char *item)
{
    for (size_t at = slot_of(s, device, item); s->slots[at]; at = (at + 1) & (s->slot_count - 1)) {
        const struct item_binding *b = s->slots[at];
        if (strcmp(b->item, item) == 0 && strcmp(b->device, device) == 0)
            return b;
    }
    return NULL;
}

const struct item_binding *source_item(const struct source *s, const char *device, const char *device_name,
                                       const char *item)
{
    if (!s->item_count)
        return NULL;
    const struct item_binding *b = find(s, device, item);
    return b || !device_name ? b : find(s, device_name, item);
}

/* The register holds good lists only; of one that somebody wrote past it, nothing can be reached. */
static struct networks networks_of(const char *text)
{
    static const struct networks none = {.items = {{.bits = 128}}, .count = 1};
    struct networks n;
    struct err err = {0};
    return networks_parse(text, &n, &err) ? n : none;
}

static struct source source_of(const struct rows *r, size_t row, struct arena *mem)
{
    const char *instance = rows_text(r, row, SOURCE_INSTANCE);
    return (struct source){
        .site = arena_strdup(mem, rows_text(r, row, SOURCE_SITE)),
        .source = arena_strdup(mem, rows_text(r, row, SOURCE_KEY)),
        .url = arena_strdup(mem, rows_text(r, row, SOURCE_URL)),
        .is_feed = strcmp(rows_text(r, row, SOURCE_FORMAT), "feed") == 0,
        .period_ms = rows_int(r, row, SOURCE_PERIOD) * 1000,
        .cursor = {arena_strdup(mem, instance ? instance : ""), (uint64_t)rows_int(r, row, SOURCE_NEXT)},
        .buffer_size = (uint64_t)rows_int(r, row, SOURCE_BUFFER),
        .last_contact_us = rows_moment(r, row, SOURCE_CONTACT),
        .failures = (int)rows_int(r, row, SOURCE_FAILURES),
        .credential = arena_strdup(mem, rows_text(r, row, SOURCE_CREDENTIAL)),
        .ca_file = arena_strdup(mem, rows_text(r, row, SOURCE_CA_FILE)),
        .pinned_key = arena_strdup(mem, rows_text(r, row, SOURCE_PINNED_KEY)),
        .networks = networks_of(rows_text(r, row, SOURCE_NETWORKS)),
    };
}

/* Rows of bindings come in the order of the sources. */
struct item_reader {
    struct bindings *bindings;
    struct arena *mem;
    size_t at; /* the source that is being filled */
    struct item_binding *items;
    size_t count, capacity;
};

static void close_source(struct item_reader *reader)
{
    if (reader->at < reader->bindings->count)
        source_bind(&reader->bindings->sources[reader->at], reader->items, reader->count, reader->mem);
    reader->at++;
    reader->items = NULL;
    reader->count = reader->capacity = 0;
}

static const char *kept(struct item_reader *reader, const char *text)
{
    return arena_strdup(reader->mem, text);
}

static bool on_item(void *context, const struct rows *r, struct err *err)
{
    (void)err;
    struct item_reader *reader = context;
    const struct bindings *b = reader->bindings;
    while (reader->at < b->count &&
           (strcmp(b->sources[reader->at].source, rows_text(r, 0, ITEM_SOURCE)) != 0 ||
            strcmp(b->sources[reader->at].site, rows_text(r, 0, ITEM_SITE)) != 0))
        close_source(reader);
    if (reader->count == reader->capacity) {
        size_t capacity = reader->capacity ? reader->capacity * 2 : 16;
        reader->items =
            arena_grow(reader->mem, reader->items, reader->count, capacity, sizeof *reader->items);
        reader->capacity = capacity;
    }
    struct item_check *check = arena_alloc(reader->mem, sizeof *check);
    *check = (struct item_check){
        .type = kept(reader, rows_text(r, 0, ITEM_TYPE)),
        .units = kept(reader, rows_text(r, 0, ITEM_UNITS)),
        .stopped = kept(reader, rows_text(r, 0, ITEM_STOPPED)),
        .place = kept(reader, rows_text(r, 0, ITEM_PLACE)),
        .name = kept(reader, rows_text(r, 0, ITEM_NAME)),
    };
    bool is_unseen = !check->type && reader->at < b->count;
    if (is_unseen)
        b->sources[reader->at].unseen++;
    reader->items[reader->count++] = (struct item_binding){
        .check = check,
        .device = kept(reader, rows_text(r, 0, ITEM_DEVICE)),
        .item = kept(reader, rows_text(r, 0, ITEM_ITEM)),
        .role = role_of(rows_text(r, 0, ITEM_ROLE)),
        .fan_no = (uint32_t)rows_int(r, 0, ITEM_FAN_NO),
        .drive = kept(reader, rows_text(r, 0, ITEM_DRIVE)),
        .axis = kept(reader, rows_text(r, 0, ITEM_AXIS)),
        .machine = kept(reader, rows_text(r, 0, ITEM_MACHINE)),
    };
    return true;
}

/* Rows of lives come in the order of the sources, too. */
static bool lives_load(struct db *db, struct arena *mem, const struct bindings *b, struct err *err)
{
    struct rows *rows;
    if (!db_query(db, &q_life_list, NULL, 0, &rows, err))
        return err_in(err, "instances");
    size_t at = 0;
    for (size_t row = 0; row < rows_count(rows) && at < b->count;) {
        struct source *s = &b->sources[at];
        if (strcmp(s->source, rows_text(rows, row, LIFE_SOURCE)) != 0 ||
            strcmp(s->site, rows_text(rows, row, LIFE_SITE)) != 0) {
            at++;
            continue;
        }
        s->lives.items =
            arena_grow(mem, s->lives.items, s->lives.count, s->lives.count + 1, sizeof *s->lives.items);
        s->lives.items[s->lives.count++] = (struct cursor){
            arena_strdup(mem, rows_text(rows, row, LIFE_INSTANCE)), (uint64_t)rows_int(rows, row, LIFE_NEXT)};
        row++;
    }
    rows_free(rows);
    return true;
}

bool bindings_load(struct db *db, struct arena *mem, struct bindings *out, struct err *err)
{
    struct rows *rows;
    if (!db_query(db, &q_source_list, NULL, 0, &rows, err))
        return err_in(err, "sources");
    out->count = rows_count(rows);
    out->sources = arena_array(mem, struct source, out->count);
    for (size_t k = 0; k < out->count; k++)
        out->sources[k] = source_of(rows, k, mem);
    rows_free(rows);
    if (!lives_load(db, mem, out, err))
        return false;

    struct item_reader reader = {.bindings = out, .mem = mem};
    if (!db_stream(db, &q_binding_list, NULL, 0, on_item, &reader, err))
        return err_in(err, "bindings");
    while (reader.at < out->count)
        close_source(&reader);
    return true;
}

bool cursors_load(struct db *db, const struct source *const *sources, size_t count, struct arena *mem,
                  struct cursor *out, struct err *err)
{
    struct columns *asked = columns_new(mem, 2);
    for (size_t k = 0; k < count; k++) {
        const struct db_value cells[] = {db_text(sources[k]->site), db_text(sources[k]->source)};
        columns_add(asked, cells);
        out[k] = (struct cursor){"", 0};
    }
    struct rows *rows;
    if (!columns_query(asked, db, &q_cursor_list, &rows, err))
        return err_in(err, "cursors");
    for (size_t row = 0; row < rows_count(rows); row++) {
        size_t k = (size_t)rows_int(rows, row, CURSOR_SOURCE) - 1;
        out[k] = (struct cursor){arena_strdup(mem, rows_text(rows, row, CURSOR_INSTANCE)),
                                 (uint64_t)rows_int(rows, row, CURSOR_NEXT)};
    }
    rows_free(rows);
    return true;
}
