#include "register.h"

#include "base/csv.h"
#include "base/nearest.h"
#include "register_value.h"

#include <string.h>

struct reading_file {
    struct register_load *load;
    struct register_file *file;
    bool has_header;
    size_t width; /* fields of the header */
    int *place;   /* of each field in the table; -1: the column is not stored */
    bool *nameless;
};

static bool stop(struct reading_file *f)
{
    f->load->cut[f->file->kind] = true;
    return false;
}

/* One field with a separator in it: a spreadsheet of a country whose comma is the decimal sign. */
static bool is_separated_by_commas(struct reading_file *f, const struct csv_row *row)
{
    if (row->count > 1 || !strpbrk(row->field[0], ";\t"))
        return true;
    register_complain_at(f->load, f->file, (struct register_spot){row->line, row->column[0]},
                         "the fields are separated by %s; save the file with commas",
                         strchr(row->field[0], ';') ? "semicolons" : "tabs");
    return false;
}

static void complain_unknown_column(struct reading_file *f, struct register_spot spot, const char *name)
{
    const struct register_column *columns = register_tables[f->file->kind].columns;
    const char *names[REGISTER_MOST_COLUMNS + 1] = {NULL};
    for (size_t k = 0; columns[k].name; k++)
        names[k] = columns[k].name;
    const char *near = nearest_of(name, names);
    if (near)
        register_complain_at(f->load, f->file, spot, "column '%s': is not known here; the nearest is '%s'",
                             name, near);
    else
        register_complain_at(f->load, f->file, spot, "column '%s': is not known here; known are %s", name,
                             register_word_list(names, f->load->mem));
}

static void take_column(struct reading_file *f, const struct csv_row *row, size_t k)
{
    const struct register_spot spot = {row->field_line[k], row->column[k]};
    const char *name = row->field[k];
    int place = register_column_place(f->file->kind, name);
    f->nameless[k] = !*name;
    f->place[k] = -1;
    if (place >= 0 && f->file->has[place]) {
        register_complain_at(f->load, f->file, spot, "column '%s': stands there twice", name);
    } else if (place >= 0) {
        f->place[k] = place;
        f->file->has[place] = true;
    } else if (*name) {
        complain_unknown_column(f, spot, name);
    }
}

static bool take_header(struct reading_file *f, const struct csv_row *row)
{
    const struct register_column *columns = register_tables[f->file->kind].columns;
    f->has_header = true;
    f->width = row->count;
    f->place = arena_array(f->load->mem, int, row->count);
    f->nameless = arena_array(f->load->mem, bool, row->count);
    if (!is_separated_by_commas(f, row))
        return stop(f);
    for (size_t k = 0; k < row->count; k++)
        take_column(f, row, k);

    bool complete = true;
    for (int k = 0; columns[k].name; k++) {
        if (columns[k].use == COLUMN_OPTIONAL || f->file->has[k])
            continue;
        register_complain_at(f->load, f->file, (struct register_spot){row->line, row->column[0]},
                             "column '%s': is missing; every row needs it", columns[k].name);
        complete = false;
    }
    return complete || stop(f);
}

/* A nameless column is what a spreadsheet leaves behind at the right; it must be empty. */
static void check_nameless(struct reading_file *f, const struct csv_row *row)
{
    for (size_t k = 0; k < f->width; k++)
        if (f->nameless[k] && *row->field[k])
            register_complain_at(f->load, f->file, (struct register_spot){row->field_line[k], row->column[k]},
                                 "'%s': stands in a column without a name", row->field[k]);
}

/* All of the row in one piece of memory: a register may have a million fans. */
static struct register_row *copied(struct reading_file *f, const struct csv_row *row)
{
    size_t count = register_column_count(f->file->kind), text = 0;
    for (size_t k = 0; k < f->width; k++)
        text += f->place[k] >= 0 ? strlen(row->field[k]) + 1 : 0;
    struct register_row *copy =
        arena_alloc(f->load->mem, sizeof *copy + count * (sizeof *copy->cell + sizeof *copy->spot) + text);
    copy->file = f->file;
    copy->start = (struct register_spot){row->line, row->column[0]};
    copy->cell = (const char **)(copy + 1);
    copy->spot = (struct register_spot *)(copy->cell + count);
    char *to = (char *)(copy->spot + count);
    for (size_t k = 0; k < f->width; k++) {
        int place = f->place[k];
        if (place < 0)
            continue;
        size_t n = strlen(row->field[k]) + 1;
        memcpy(to, row->field[k], n);
        copy->cell[place] = to;
        copy->spot[place] = (struct register_spot){row->field_line[k], row->column[k]};
        to += n;
    }
    return copy;
}

static bool on_row(void *context, const struct csv_row *row, struct err *err)
{
    (void)err; /* everything is gathered as issues */
    struct reading_file *f = context;
    if (!f->has_header)
        return take_header(f, row);
    if (row->count != f->width) {
        size_t last = row->count > f->width ? f->width : row->count - 1;
        register_complain_at(f->load, f->file,
                             (struct register_spot){row->field_line[last], row->column[last]},
                             "the row has %zu fields, the header has %zu", row->count, f->width);
        f->load->cut[f->file->kind] = true;
        return true;
    }
    check_nameless(f, row);
    register_take_row(f->load, f->file, copied(f, row));
    return true;
}

void register_read(struct register_load *r, enum register_kind kind, const char *path, const char *bytes,
                   size_t size)
{
    struct err err = {0};
    struct reading_file f = {.load = r, .file = register_new_file(r, kind, path)};
    if (!csv_read_bytes(path, bytes, size, on_row, &f, &err)) {
        if (err.kind != ERR_NONE) {
            r->cut[kind] = true;
            register_complain_whole(
                r, f.file, err.hint[0] ? arena_printf(r->mem, "%s; %s", err.text, err.hint) : err.text);
        }
    } else if (!f.has_header) {
        r->cut[kind] = true;
        register_complain_at(r, f.file, (struct register_spot){1, 1}, "there is no header row");
    }
}
