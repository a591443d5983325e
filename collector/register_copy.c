#include "register_copy.h"

#include "base/hash.h"
#include "base/log.h"
#include "segment.h"
#include "whole_file.h"
#include "wire.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* Records as in the spool: the first says how many follow, then one a source. */
enum { KEEP_MS = 5 * 60 * 1000 };
static const char FILE_NAME[] = "register.copy";
static const size_t COPY_BYTES = (size_t)8 << 30;

static void put_networks(struct wire_writer *w, const struct networks *n)
{
    wire_put_u64(w, n->count);
    for (size_t k = 0; k < n->count; k++) {
        uint64_t halves[2];
        memcpy(halves, n->items[k].prefix, sizeof halves);
        wire_put_u64(w, halves[0]);
        wire_put_u64(w, halves[1]);
        wire_put_u64(w, (uint64_t)n->items[k].bits);
        wire_put_u64(w, n->items[k].is_v4);
    }
}

static struct networks networks_of(struct wire_reader *r)
{
    struct networks n = {.count = wire_count(r, 4)};
    if (n.count > NETWORKS_MOST) {
        r->failed = true;
        n.count = 0;
    }
    for (size_t k = 0; k < n.count; k++) {
        uint64_t halves[2];
        halves[0] = wire_u64(r);
        halves[1] = wire_u64(r);
        memcpy(n.items[k].prefix, halves, sizeof halves);
        uint64_t bits = wire_u64(r);
        r->failed |= bits > 128;
        n.items[k].bits = (int)bits;
        n.items[k].is_v4 = wire_u64(r);
    }
    return n;
}

static void put_item(struct wire_writer *w, const struct item_binding *b)
{
    const struct item_check none = {0}, *check = b->check ? b->check : &none;
    wire_put_u64(w, b->role);
    wire_put_u64(w, b->fan_no);
    const char *const texts[] = {b->device,   b->item,      b->drive,     b->axis,     b->machine,
                                 check->type, check->units, check->place, check->name, check->stopped};
    for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
        wire_put_text(w, texts[k]);
}

static struct item_binding item_of(struct wire_reader *r)
{
    struct item_check *check = arena_array(r->mem, struct item_check, 1);
    struct item_binding b = {.check = check};
    uint64_t role = wire_u64(r), fan_no = wire_u64(r);
    b.role = (enum item_role)role;
    b.fan_no = (uint32_t)fan_no;
    const char **const texts[] = {&b.device,    &b.item,       &b.drive,      &b.axis,      &b.machine,
                                  &check->type, &check->units, &check->place, &check->name, &check->stopped};
    for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
        *texts[k] = wire_text(r);
    r->failed |= role > ROLE_POWER || fan_no > UINT32_MAX || !b.device || !b.item;
    return b;
}

/* What a person registered. */
static void put_register(struct wire_writer *w, const struct source *s)
{
    const char *const texts[] = {s->site, s->source, s->url, s->credential, s->ca_file, s->pinned_key};
    for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
        wire_put_text(w, texts[k]);
    wire_put_u64(w, s->is_feed);
    wire_put_u64(w, (uint64_t)s->period_ms);
    put_networks(w, &s->networks);
    wire_put_u64(w, s->item_count);
    for (size_t k = 0; k < s->slot_count; k++)
        if (s->slots[k])
            put_item(w, s->slots[k]);
}

static void put_position(struct wire_writer *w, const struct source *s)
{
    wire_put_text(w, s->cursor.instance);
    wire_put_u64(w, s->cursor.next);
    wire_put_u64(w, s->buffer_size);
    wire_put_i64(w, s->last_contact_us);
    wire_put_u64(w, (uint64_t)s->failures);
    wire_put_u64(w, s->lives.count);
    for (size_t k = 0; k < s->lives.count; k++) {
        wire_put_text(w, s->lives.items[k].instance);
        wire_put_u64(w, s->lives.items[k].next);
    }
}

static void items_of(struct wire_reader *r, struct source *s)
{
    size_t count = wire_count(r, 12);
    struct item_binding *items = arena_array(r->mem, struct item_binding, count);
    for (size_t k = 0; k < count; k++) {
        items[k] = item_of(r);
        s->unseen += !items[k].check->type;
    }
    if (!r->failed)
        source_bind(s, items, count, r->mem);
}

static struct lives lives_of(struct wire_reader *r)
{
    struct lives lives = {.count = wire_count(r, 2)};
    lives.items = arena_array(r->mem, struct cursor, lives.count);
    for (size_t k = 0; k < lives.count; k++) {
        const char *instance = wire_text(r);
        lives.items[k] = (struct cursor){instance, wire_u64(r)};
        r->failed |= !instance || lives.items[k].next > INT64_MAX;
    }
    return lives;
}

static struct source source_of(struct wire_reader *r)
{
    struct source s = {0};
    const char **const texts[] = {&s.site, &s.source, &s.url, &s.credential, &s.ca_file, &s.pinned_key};
    for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
        *texts[k] = wire_text(r);
    s.is_feed = wire_u64(r);
    s.period_ms = (int64_t)wire_u64(r);
    s.networks = networks_of(r);
    items_of(r, &s);
    s.cursor.instance = wire_text(r);
    s.cursor.next = wire_u64(r);
    s.buffer_size = wire_u64(r);
    s.last_contact_us = wire_i64(r);
    s.failures = (int)wire_u64(r);
    s.lives = lives_of(r);
    r->failed |= !s.site || !s.source || !s.url || s.period_ms <= 0 || !s.cursor.instance ||
                 s.cursor.next > INT64_MAX || s.failures < 0 || r->at != r->end;
    return s;
}

static void add(struct wire_writer *file, uint64_t number, const struct wire_writer *payload)
{
    size_t size;
    const uint8_t *record = segment_record(number, payload->bytes, payload->size, file->mem, &size);
    wire_put_bytes(file, record, size);
}

const uint8_t *register_copy_encode(const struct bindings *b, struct arena *mem, size_t *size)
{
    struct wire_writer file = {.mem = mem}, head = {.mem = mem};
    wire_put_u64(&head, REGISTER_COPY_VERSION);
    wire_put_u64(&head, b->count);
    add(&file, 0, &head);
    for (size_t k = 0; k < b->count; k++) {
        struct wire_writer w = {.mem = mem};
        put_register(&w, &b->sources[k]);
        put_position(&w, &b->sources[k]);
        add(&file, k + 1, &w);
    }
    *size = file.size;
    return file.bytes;
}

static uint64_t hash_of(const struct bindings *b, struct arena *mem)
{
    uint64_t hash = HASH_BEGIN;
    struct wire_writer w = {.mem = mem};
    for (size_t k = 0; k < b->count; k++) {
        w.size = 0;
        put_register(&w, &b->sources[k]);
        hash = hash_bytes(hash, w.bytes, w.size);
    }
    return hash;
}

/* The next record, which must be this one and sound. */
static bool next_payload(const uint8_t *bytes, size_t size, size_t *at, uint64_t number,
                         struct wire_reader *r)
{
    struct record record;
    size_t payload_size;
    uint64_t damaged = 0;
    if (!record_next(bytes, size, at, r->mem, &record, &r->at, &payload_size, &damaged) || damaged ||
        record.number != number)
        return false;
    r->end = r->at + payload_size;
    return true;
}

bool register_copy_decode(const uint8_t *bytes, size_t size, struct arena *mem, struct bindings *out,
                          struct err *err)
{
    size_t at = 0;
    struct wire_reader r = {.mem = mem};
    *out = (struct bindings){0};
    if (!next_payload(bytes, size, &at, 0, &r))
        return err_set(err, ERR_INPUT, "it is damaged");
    if (wire_u64(&r) != REGISTER_COPY_VERSION)
        return err_set(err, ERR_INPUT, "it is of another version");
    size_t count = (size_t)wire_u64(&r);
    if (r.failed || count > size) /* each takes more than a byte */
        return err_set(err, ERR_INPUT, "it is damaged");
    out->sources = arena_array(mem, struct source, count);
    for (; out->count < count; out->count++) {
        if (!next_payload(bytes, size, &at, out->count + 1, &r))
            break;
        out->sources[out->count] = source_of(&r);
        if (r.failed)
            break;
    }
    return (out->count == count && at == size) || err_set(err, ERR_INPUT, "it is damaged");
}

/* The file. */

bool register_copy_open(struct register_copy *c, const char *dir, struct err *err)
{
    *c = (struct register_copy){0};
    if (dir && snprintf(c->path, sizeof c->path, "%s/%s", dir, FILE_NAME) >= (int)sizeof c->path)
        return err_set(err, ERR_CONFIG, "the name of the spool folder is too long");
    return true;
}

void register_copy_keep(struct register_copy *c, const struct bindings *b, int64_t now_ms)
{
    if (!c->path[0])
        return;
    struct arena *mem = arena_new(COPY_BYTES);
    uint64_t hash = hash_of(b, mem);
    if (hash != c->hash || now_ms >= c->due_ms) {
        size_t size;
        const uint8_t *bytes = register_copy_encode(b, mem, &size);
        struct err why = {0};
        bool good = whole_file_write(c->path, WHOLE_FILE_KEPT, bytes, size, &why);
        if (!good && !c->has_failed)
            log_warn("register.not_kept", "why='%s'", why.text);
        c->has_failed = !good;
        c->hash = good ? hash : 0;
        c->due_ms = now_ms + KEEP_MS;
    }
    arena_free(mem);
}

bool register_copy_is_due(const struct register_copy *c, int64_t now_ms)
{
    return c->path[0] && now_ms >= c->due_ms;
}

/* NULL: cannot be read, and errno says why. */
static const uint8_t *read_file(int fd, struct arena *mem, size_t *size)
{
    struct stat st;
    if (fstat(fd, &st) != 0)
        return NULL;
    *size = (size_t)st.st_size;
    uint8_t *bytes = arena_array(mem, uint8_t, *size + 1);
    for (size_t done = 0; done < *size;) {
        ssize_t n = read(fd, bytes + done, *size - done);
        if (n < 0 && errno != EINTR)
            return NULL;
        if (n == 0)
            *size = done;
        done += n > 0 ? (size_t)n : 0;
    }
    return bytes;
}

bool register_copy_read(const struct register_copy *c, struct arena *mem, struct bindings *out,
                        struct err *err)
{
    if (!c->path[0])
        return err_set(err, ERR_INPUT, "no copy of the register is kept");
    size_t size = 0;
    int fd = open(c->path, O_RDONLY | O_CLOEXEC);
    const uint8_t *bytes = fd < 0 ? NULL : read_file(fd, mem, &size);
    if (!bytes)
        err_set(err, ERR_INPUT, "cannot read '%s': %s", c->path, strerror(errno));
    if (fd >= 0)
        close(fd);
    return bytes && (register_copy_decode(bytes, size, mem, out, err) || err_in(err, "'%s'", c->path));
}
