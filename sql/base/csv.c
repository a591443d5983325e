#include "base/csv.h"

#include "base/text.h"

#include <csv.h>

#include <errno.h>
#include <limits.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { CHUNK_BYTES = 64 * 1024, MAX_ROW_BYTES = 1024 * 1024, FIRST_FIELDS = 32 };

struct place {
    int line, column;
};

/*
 * libcsv says what a field holds, not where it stood. It calls back only at a comma, a line end or the end of
 * the input; so the bytes are handed to it in pieces that end at the next of these, and at each call the end
 * of the field is the end of the piece.
 */
struct reader {
    const char *name;
    csv_row_fn *on_row;
    void *context;
    struct err *err;
    struct csv_parser parser;
    struct place here;  /* of the next byte */
    struct place start; /* of the field that is being read */
    bool begun;         /* the field has a byte that is neither blank nor line end */
    bool after_return;  /* the last byte was CR: a LF now belongs to it */
    bool ended, failed; /* a field ended in this piece; the reading is over */
    size_t row_bytes;   /* handed over since the row began */
    char *text;         /* the row's fields, each with its NUL */
    size_t used, room;  /* of text */
    size_t *offset;     /* of each field in text */
    struct csv_row row; /* its arrays have 'fields' places */
    size_t fields;
};

static _Noreturn void out_of_memory(void)
{
    fputs("out of memory while reading CSV\n", stderr);
    exit(71);
}

static void *resized(void *p, size_t count, size_t size)
{
    p = realloc(p, count * size);
    if (!p)
        out_of_memory();
    return p;
}

static void complain(struct reader *r, struct place at, const char *what)
{
    r->failed = true;
    err_set(r->err, ERR_INPUT, "%s:%d:%d: %s", r->name, at.line, at.column, what);
}

static void make_room(struct reader *r, size_t bytes)
{
    if (r->room - r->used < bytes) {
        r->room = (r->used + bytes) * 2;
        r->text = resized(r->text, r->room, 1);
    }
    if (r->row.count == r->fields) {
        r->fields = r->fields ? r->fields * 2 : FIRST_FIELDS;
        r->offset = resized(r->offset, r->fields, sizeof *r->offset);
        r->row.field = resized(r->row.field, r->fields, sizeof *r->row.field);
        r->row.column = resized(r->row.column, r->fields, sizeof *r->row.column);
        r->row.field_line = resized(r->row.field_line, r->fields, sizeof *r->row.field_line);
    }
}

/* A line end inside quotes may be CR LF; inside the programs it is LF. */
static size_t unify_line_ends(char *text, size_t bytes)
{
    char *to = memchr(text, '\r', bytes);
    if (!to)
        return bytes;
    for (const char *from = to; from < text + bytes; from++)
        if (*from != '\r' || from + 1 == text + bytes || from[1] != '\n')
            *to++ = *from;
    return (size_t)(to - text);
}

static void on_field(void *data, size_t bytes, void *context)
{
    struct reader *r = context;
    r->ended = true;
    r->begun = false;
    if (r->failed)
        return;

    make_room(r, bytes + 1);
    char *text = r->text + r->used;
    if (bytes)
        memcpy(text, data, bytes);
    bytes = unify_line_ends(text, bytes);
    text[bytes] = '\0';
    if (!text_is_clean(text, bytes)) {
        complain(r, r->start, "not UTF-8 text, or a control character in it");
        err_hint(r->err, "save the file as CSV in UTF-8");
        return;
    }
    r->offset[r->row.count] = r->used;
    r->row.column[r->row.count] = r->start.column;
    r->row.field_line[r->row.count] = r->start.line;
    r->row.count++;
    r->used += bytes + 1;
}

static void on_row_end(int terminator, void *context)
{
    (void)terminator;
    struct reader *r = context;
    bool empty = true;
    for (size_t k = 0; k < r->row.count; k++) {
        r->row.field[k] = text_trim(r->text + r->offset[k]);
        empty = empty && !*r->row.field[k];
    }
    r->row.line = r->row.count ? r->row.field_line[0] : 0;
    if (!empty && !r->failed && !r->on_row(r->context, &r->row, r->err))
        r->failed = true;
    r->row.count = 0;
    r->used = 0;
    r->row_bytes = 0;
}

static void step(struct place *here, bool *after_return, char c)
{
    if (c == '\n' && *after_return) {
        *after_return = false;
        return;
    }
    *after_return = c == '\r';
    if (c == '\n' || c == '\r') {
        here->line++;
        here->column = 1;
    } else if (((unsigned char)c & 0xc0) != 0x80) {
        here->column++;
    }
}

/* Where libcsv stopped within a piece that began at 'from'. */
static struct place place_within(struct place from, bool after_return, const char *piece, size_t bytes)
{
    for (size_t k = 0; k < bytes; k++)
        step(&from, &after_return, piece[k]);
    return from;
}

static void feed_piece(struct reader *r, struct place from, bool after_return, const char *piece,
                       size_t bytes)
{
    r->row_bytes += bytes;
    if (r->row_bytes > MAX_ROW_BYTES) {
        complain(r, r->start, "a row is longer than 1 MiB");
        err_hint(r->err, "a quotation mark that is never closed makes one row of the rest of the file");
        return;
    }
    size_t taken = csv_parse(&r->parser, piece, bytes, on_field, on_row_end, r);
    if (taken == bytes || r->failed)
        return;
    if (csv_error(&r->parser) != CSV_EPARSE)
        out_of_memory();
    complain(r, place_within(from, after_return, piece, taken), "a quotation mark in the wrong place");
    err_hint(r->err, "a field with a comma, line end or quotation mark in it stands in quotation marks, and "
                     "each one inside is doubled");
}

/* One piece: up to and with the next comma or line end. Returns its length. */
static size_t next_piece(struct reader *r, const char *bytes, size_t size)
{
    size_t n = 0;
    for (bool more = true; more && n < size; n++) {
        char c = bytes[n];
        more = c != ',' && c != '\n' && c != '\r';
        if (!r->begun && c != ' ' && c != '\t') {
            r->start = r->here;
            r->begun = c != '\n' && c != '\r';
        }
        step(&r->here, &r->after_return, c);
    }
    return n;
}

static void feed(struct reader *r, const char *bytes, size_t size)
{
    while (size && !r->failed) {
        struct place from = r->here;
        bool after_return = r->after_return;
        size_t n = next_piece(r, bytes, size);
        feed_piece(r, from, after_return, bytes, n);
        bytes += n;
        size -= n;
    }
}

static void reader_init(struct reader *r, const char *name, csv_row_fn *on_row, void *context,
                        struct err *err)
{
    *r = (struct reader){
        .name = name, .on_row = on_row, .context = context, .err = err, .here = {1, 1}, .start = {1, 1}};
    if (csv_init(&r->parser, CSV_STRICT | CSV_STRICT_FINI) != 0)
        out_of_memory();
}

static bool reader_finish(struct reader *r)
{
    if (!r->failed) {
        if (!r->begun)
            r->start = r->here;
        if (csv_fini(&r->parser, on_field, on_row_end, r) != 0)
            complain(r, r->start, "the quotation mark is never closed");
    }
    csv_free(&r->parser);
    free(r->text);
    free(r->offset);
    free(r->row.field);
    free(r->row.column);
    free(r->row.field_line);
    return !r->failed;
}

static size_t byte_order_mark(const char *bytes, size_t size)
{
    return size >= 3 && memcmp(bytes, "\xef\xbb\xbf", 3) == 0 ? 3 : 0;
}

bool csv_read_bytes(const char *name, const char *bytes, size_t size, csv_row_fn *on_row, void *context,
                    struct err *err)
{
    struct reader r;
    size_t skip = byte_order_mark(bytes, size);
    reader_init(&r, name, on_row, context, err);
    feed(&r, bytes + skip, size - skip);
    return reader_finish(&r);
}

static bool read_stream(const char *path, FILE *in, csv_row_fn *on_row, void *context, struct err *err)
{
    struct reader r;
    char chunk[CHUNK_BYTES];
    size_t n, skip = 0;
    bool first = true;

    reader_init(&r, path, on_row, context, err);
    while (!r.failed && (n = fread(chunk, 1, sizeof chunk, in)) > 0) {
        skip = first ? byte_order_mark(chunk, n) : 0;
        first = false;
        feed(&r, chunk + skip, n - skip);
    }
    if (!r.failed && ferror(in)) {
        r.failed = true;
        err_set(err, ERR_INPUT, "cannot read '%s': %s", path, strerror(errno));
    }
    return reader_finish(&r);
}

bool csv_read(const char *path, csv_row_fn *on_row, void *context, struct err *err)
{
    if (strcmp(path, "-") == 0)
        return read_stream(path, stdin, on_row, context, err);
    FILE *in = fopen(path, "rb");
    if (!in)
        return err_set(err, ERR_INPUT, "cannot open '%s': %s", path, strerror(errno));
    bool good = read_stream(path, in, on_row, context, err);
    fclose(in);
    return good;
}

struct loading {
    struct arena *mem;
    struct csv_table *table;
    size_t room;
};

static struct csv_row copied(const struct csv_row *row, struct arena *mem)
{
    struct csv_row copy = {.line = row->line, .count = row->count};
    copy.field = arena_array(mem, char *, row->count);
    copy.column = arena_grow(mem, row->column, row->count, row->count, sizeof *row->column);
    copy.field_line = arena_grow(mem, row->field_line, row->count, row->count, sizeof *row->field_line);
    for (size_t k = 0; k < row->count; k++)
        copy.field[k] = arena_strdup(mem, row->field[k]);
    return copy;
}

static bool header_names_differ(const struct csv_table *t, const struct csv_row *row, struct err *err)
{
    for (size_t k = 1; k < row->count; k++)
        for (size_t j = 0; j < k; j++)
            if (strcmp(row->field[k], row->field[j]) == 0)
                return err_set(err, ERR_INPUT, "%s:%d:%d: column '%s' stands there twice", t->path,
                               row->field_line[k], row->column[k], row->field[k]);
    return true;
}

static bool load_row(void *context, const struct csv_row *row, struct err *err)
{
    struct loading *l = context;
    struct csv_table *t = l->table;
    if (!t->header.count) {
        t->header = copied(row, l->mem);
        return header_names_differ(t, row, err);
    }
    if (row->count != t->header.count)
        return err_set(err, ERR_INPUT, "%s:%d:%d: the row has %zu fields, the header has %zu", t->path,
                       row->line, row->column[0], row->count, t->header.count);
    if (t->count == l->room) {
        l->room = l->room ? l->room * 2 : 64;
        t->rows = arena_grow(l->mem, t->rows, t->count, l->room, sizeof *t->rows);
    }
    t->rows[t->count++] = copied(row, l->mem);
    return true;
}

bool csv_load(const char *path, struct arena *mem, struct csv_table *table, struct err *err)
{
    struct loading l = {.mem = mem, .table = table};
    *table = (struct csv_table){.path = path};
    if (!csv_read(path, load_row, &l, err))
        return false;
    return table->header.count || err_set(err, ERR_INPUT, "%s:1:1: there is no header row", path);
}

int csv_column(const struct csv_table *table, const char *name)
{
    for (size_t k = 0; k < table->header.count; k++)
        if (strcmp(table->header.field[k], name) == 0)
            return (int)k;
    return -1;
}

void csv_write_text(FILE *out, const char *text)
{
    if (!text || !*text)
        return;
    size_t n = strlen(text);
    bool guarded = strchr("=+-@\t\r", text[0]) != NULL;
    bool quoted = strpbrk(text, ",\"\r\n") || text[0] == ' ' || text[n - 1] == ' ' || text[n - 1] == '\t';
    if (quoted)
        fputc('"', out);
    if (guarded)
        fputc('\'', out);
    for (; *text; text++) {
        if (*text == '"')
            fputc('"', out);
        fputc(*text, out);
    }
    if (quoted)
        fputc('"', out);
}
