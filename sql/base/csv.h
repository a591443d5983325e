/*
 * CSV by RFC 4180, in and out. The only user of libcsv.
 *
 * Reading knows where every field stands, so that complaints can say file:line:column. Input is UTF-8 (a
 * byte order mark is skipped); a line end inside quotes counts as a line. Writing guards spreadsheets: a
 * text cell that begins with = + - @ tab or CR gets a leading ' (OWASP ASVS 1.2.10).
 */
#ifndef BASE_CSV_H
#define BASE_CSV_H

#include "base/arena.h"

#include <stdio.h>

struct csv_row {
    int line; /* where the row starts, from 1 */
    size_t count;
    char **field; /* trimmed, never NULL, "" when empty */
    int *column;  /* where each field starts in its line, from 1, in characters */
    int *field_line;
};

struct csv_table {
    const char *path; /* as the user named it */
    struct csv_row header;
    struct csv_row *rows; /* every row has as many fields as the header */
    size_t count;
};

/* Called for each row, the header included; false stops the reading. The row lives until the call returns. */
typedef bool csv_row_fn(void *context, const struct csv_row *row, struct err *err);

/* ERR_INPUT names path, line and column. "-" is standard input. Wholly empty lines are skipped. */
MUST_USE bool csv_read(const char *path, csv_row_fn *on_row, void *context, struct err *err);
/* The same for bytes in memory; 'name' stands in messages. */
MUST_USE bool csv_read_bytes(const char *name, const char *bytes, size_t size, csv_row_fn *on_row,
                             void *context, struct err *err);
/* The whole file. A row with too few or too many fields is ERR_INPUT, so is a repeated header name. */
MUST_USE bool csv_load(const char *path, struct arena *mem, struct csv_table *table, struct err *err);
/* Index of a header name, or -1. */
int csv_column(const struct csv_table *table, const char *name);

/* A text cell, quoted where needed and guarded; a NULL is empty. */
void csv_write_text(FILE *out, const char *text);

#endif
