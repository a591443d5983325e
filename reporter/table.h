/*
 * Tables over the width of a page: heads repeated on every page, no row alone before or after a page break,
 * cells wrapped and cut, never overlapping.
 */
#ifndef REPORTER_TABLE_H
#define REPORTER_TABLE_H

#include "design.h"

struct column {
    const char *head; /* may take two lines */
    double share;     /* of the width, against the other columns' */
    enum align align;
    int max_lines; /* 0: as many as it takes */
};

struct cell {
    const char *text; /* NULL: empty */
    enum mark mark;   /* before the text; only in columns aligned left */
    bool strong;
    bool page; /* instead of a text: the number of the page that the row leads to */
};

enum row_kind {
    ROW_PLAIN,
    ROW_GROUP, /* names what follows, over the whole width; only its first cell counts */
    ROW_SUM,
};

struct table;

/* The columns must outlive the table; everything lives in the sheet's arena. */
struct table *table_new(struct sheet *s, const struct column *columns, size_t count);
/* The cells of a new row, to be filled in; they stay valid. */
struct cell *table_row(struct table *t, enum row_kind kind);
/* The last row leads to a target. */
void table_link(struct table *t, int target);
size_t table_rows(const struct table *t);
/* Points that the head and the first two rows take. */
double table_start_height(struct table *t);
void table_draw(struct table *t);

#endif
