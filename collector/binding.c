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
    ITEM_OF, /* the place of its source among those asked for */
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
enum { LIFE_OF, LIFE_INSTANCE, LIFE_NEXT };
static const size_t ASKED_BYTES = (size_t)64 * 1024 * 1024;
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

/* Texts are often the same as of the item before. */
static const char *kept(struct arena *mem, const char *text, const char *before)
{
    return text && before && strcmp(text, before) == 0 ? before : arena_strdup(mem, text);
}

static void read_check(const struct rows *r, size_t row, struct arena *mem, const struct item_check *before,
                       struct item_check *out)
{
    *out = (struct item_check){
        .type = kept(mem, rows_text(r, row, ITEM_TYPE), before->type),
        .units = kept(mem, rows_text(r, row, ITEM_UNITS), before->units),
        .stopped = kept(mem, rows_text(r, row, ITEM_STOPPED), before->stopped),
        .place = kept(mem, rows_text(r, row, ITEM_PLACE), before->place),
        .name = kept(mem, rows_text(r, row, ITEM_NAME), before->name),
    };
}

static struct item_binding read_item(const struct rows *r, size_t row, struct arena *mem,
                                     const struct item_binding *before, struct item_check *check)
{
    return (struct item_binding){
        .check = check,
        .device = kept(mem, rows_text(r, row, ITEM_DEVICE), before->device),
        .item = arena_strdup(mem, rows_text(r, row, ITEM_ITEM)),
        .role = role_of(rows_text(r, row, ITEM_ROLE)),
        .fan_no = (uint32_t)rows_int(r, row, ITEM_FAN_NO),
        .drive = kept(mem, rows_text(r, row, ITEM_DRIVE), before->drive),
        .axis = kept(mem, rows_text(r, row, ITEM_AXIS), before->axis),
        .machine = kept(mem, rows_text(r, row, ITEM_MACHINE), before->machine),
    };
}

/* The rows from .. to-1 are the items of a source. */
static void read_items(const struct rows *r, size_t from, size_t to, struct source *s, struct arena *mem)
{
    static const struct item_binding no_item;
    static const struct item_check no_check;
    size_t count = to - from;
    struct item_binding *items = arena_array(mem, struct item_binding, count);
    struct item_check *checks = arena_array(mem, struct item_check, count);
    for (size_t k = 0; k < count; k++) {
        read_check(r, from + k, mem, k ? &checks[k - 1] : &no_check, &checks[k]);
        items[k] = read_item(r, from + k, mem, k ? &items[k - 1] : &no_item, &checks[k]);
        s->unseen += !checks[k].type;
    }
    source_bind(s, items, count, mem);
}

bool register_version_load(struct db *db, int64_t *version, struct err *err)
{
    struct rows *rows;
    if (!db_query(db, &q_register_version, NULL, 0, &rows, err))
        return err_in(err, "version of the register");
    *version = rows_count(rows) ? rows_int(rows, 0, 0) : 0;
    rows_free(rows);
    return true;
}

bool sources_load(struct db *db, struct arena *mem, struct bindings *out, struct err *err)
{
    struct rows *rows;
    if (!db_query(db, &q_source_list, NULL, 0, &rows, err))
        return err_in(err, "sources");
    out->count = rows_count(rows);
    out->sources = arena_array(mem, struct source, out->count);
    for (size_t k = 0; k < out->count; k++)
        out->sources[k] = source_of(rows, k, mem);
    rows_free(rows);
    return true;
}

/* A statement about some sources, which says of each row the place of its source among them. */
static bool ask_about(struct db *db, const struct query *q, const struct source *sources, size_t count,
                      struct rows **rows, struct err *err)
{
    struct arena *mem = arena_new(ASKED_BYTES);
    struct columns *asked = columns_new(mem, 2);
    for (size_t k = 0; k < count; k++) {
        const struct db_value cells[] = {db_text(sources[k].site), db_text(sources[k].source)};
        columns_add(asked, cells);
    }
    bool ok = columns_query(asked, db, q, rows, err);
    arena_free(mem);
    return ok;
}

/* Rows come in the order of the sources: those of number k end here. */
static size_t end_of_source(const struct rows *r, size_t from, int column, size_t k)
{
    while (from < rows_count(r) && rows_int(r, from, column) == (int64_t)k + 1)
        from++;
    return from;
}

static struct lives read_lives(const struct rows *r, size_t from, size_t to, struct arena *mem)
{
    struct lives lives = {arena_array(mem, struct cursor, to - from), to - from};
    for (size_t k = 0; k < lives.count; k++)
        lives.items[k] = (struct cursor){arena_strdup(mem, rows_text(r, from + k, LIFE_INSTANCE)),
                                         (uint64_t)rows_int(r, from + k, LIFE_NEXT)};
    return lives;
}

static bool lives_load(struct db *db, struct source *sources, size_t count, struct arena *mem,
                       struct err *err)
{
    struct rows *rows;
    if (!ask_about(db, &q_life_list, sources, count, &rows, err))
        return err_in(err, "instances");
    for (size_t k = 0, from = 0, to; k < count; k++, from = to) {
        to = end_of_source(rows, from, LIFE_OF, k);
        sources[k].lives = read_lives(rows, from, to, mem);
    }
    rows_free(rows);
    return true;
}

bool items_load(struct db *db, struct arena *mem, struct source *sources, size_t count, struct err *err)
{
    struct rows *rows;
    if (!lives_load(db, sources, count, mem, err))
        return false;
    if (!ask_about(db, &q_binding_list, sources, count, &rows, err))
        return err_in(err, "bindings");
    for (size_t k = 0, from = 0, to; k < count; k++, from = to) {
        to = end_of_source(rows, from, ITEM_OF, k);
        read_items(rows, from, to, &sources[k], mem);
    }
    rows_free(rows);
    return true;
}

/* All or none are changed. */
bool positions_load(struct db *db, struct source *sources, size_t count, struct arena *mem, struct err *err)
{
    const struct source **asked = arena_array(mem, const struct source *, count);
    struct cursor *cursors = arena_array(mem, struct cursor, count);
    for (size_t k = 0; k < count; k++)
        asked[k] = &sources[k];
    if (!cursors_load(db, asked, count, mem, cursors, err) || !lives_load(db, sources, count, mem, err))
        return false;
    for (size_t k = 0; k < count; k++)
        sources[k].cursor = cursors[k];
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
