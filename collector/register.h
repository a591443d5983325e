/*
 * A load of the register: files to rows, and all that is wrong with them. Pure: no database, no clock.
 *
 * In order: register_new; register_read for each file; register_known for each thing that the database has;
 * register_check. All errors of all files are gathered. Only a load without any may be stored.
 */
#ifndef COLLECTOR_REGISTER_H
#define COLLECTOR_REGISTER_H

#include "register_tables.h"
#include "register_things.h"

struct register_spot {
    int line, column; /* 0: not from a file; INT_MAX: behind all that was read of it */
};

struct register_row {
    const struct register_file *file;
    struct register_spot start;
    const char **cell; /* by the table's columns: NULL where the file lacks the column, "" for empty */
    struct register_spot *spot;
    const char *site; /* where the row belongs; NULL for what has no site */
    bool spoilt;      /* a field was refused, and emptied so that nothing else is said of it */
    int64_t fan_no;   /* of a fan */
};

struct register_file {
    const char *path; /* as the user named it */
    enum register_kind kind;
    size_t order; /* among the files of the load */
    bool has[REGISTER_MOST_COLUMNS];
    struct register_row **rows;
    size_t count, room;
};

struct register_issue {
    const struct register_file *file;
    struct register_spot spot;
    size_t nth;       /* in the order in which they were found */
    const char *text; /* the whole line, with the place */
};

/* Issues beyond these are counted only. */
enum { REGISTER_MOST_ISSUES = 1000 };

struct register_load {
    struct arena *mem;
    int64_t now_us;
    struct register_file **files;
    size_t file_count, file_room;
    struct things things[REGISTER_KINDS];
    bool cut[REGISTER_KINDS]; /* a file of the kind could not be read to its end: references are not judged */
    struct register_issue *issues;
    size_t issue_count;    /* all, also those that were not kept */
    int searched;          /* nearest keys that were looked for */
    size_t replaced_since; /* fans for which work tells of a later replacement than fans.csv */
};

struct register_load *register_new(struct arena *mem, int64_t now_us);

/* The bytes of a file. */
void register_read(struct register_load *r, enum register_kind kind, const char *path, const char *bytes,
                   size_t size);
/* A file that cannot be read at all. */
void register_unreadable(struct register_load *r, enum register_kind kind, const char *path, const char *why);
/* One row that does not come from a file: cells by the table's columns, NULL or "" for unknown. */
void register_add(struct register_load *r, enum register_kind kind, const char *name,
                  const char *const *cells);

/* True when things of a kind must be known for this load. */
bool register_needs(const struct register_load *r, enum register_kind kind);
/* A thing that the database has; fill in what belongs to its kind. */
struct thing *register_known(struct register_load *r, enum register_kind kind, const char *key,
                             const char *site);

/* References, meaning, and the site of every row. Afterwards the issues stand in order of file and place. */
void register_check(struct register_load *r);

/* For the parts of this module. */
void register_complain(struct register_load *r, const struct register_row *row, int column, const char *fmt,
                       ...) PRINTF_LIKE(4, 5);
void register_complain_at(struct register_load *r, const struct register_file *file,
                          struct register_spot spot, const char *fmt, ...) PRINTF_LIKE(4, 5);
/* As it is: the text names its place itself. */
void register_complain_whole(struct register_load *r, const struct register_file *file, const char *text);
struct register_file *register_new_file(struct register_load *r, enum register_kind kind, const char *path);
/* Checks the fields of a row, keeps it, and makes its thing. */
void register_take_row(struct register_load *r, struct register_file *f, struct register_row *row);
/* The key of a row as it stands in struct thing; NULL when a part of it is empty. */
const char *register_key(const struct register_row *row, struct arena *mem);
/* The key of the fan at a position of a drive. */
const char *register_fan_key(const char *drive, const char *position, struct arena *mem);

#endif
