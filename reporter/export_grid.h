/*
 * Columns of text, aligned by the width that a terminal gives to UTF-8, and paragraphs.
 */
#ifndef REPORTER_EXPORT_GRID_H
#define REPORTER_EXPORT_GRID_H

#include "base/arena.h"

#include <stdio.h>

enum { GRID_MAX_COLUMNS = 12 };

struct grid {
    struct arena *mem;
    size_t columns;
    const char *const *heads;
    const char *sides; /* 'l' or 'r' a column */
    const char **cells;
    size_t rows, room;
};

/* heads and sides live as long as the grid. */
struct grid grid_of(struct arena *mem, const char *const *heads, const char *sides);
/* A row of as many cells as there are columns; the strings live as long as the grid. */
void grid_add(struct grid *g, const char *const *cells);
/* Settles the widths; then head and rows can be written one by one, with other text in between. */
void grid_widths(const struct grid *g, size_t widths[GRID_MAX_COLUMNS]);
void grid_write_head(const struct grid *g, const size_t *widths, FILE *out);
void grid_write_row(const struct grid *g, const size_t *widths, size_t row, FILE *out);
void grid_write(const struct grid *g, FILE *out);

/* Columns of a terminal that a text takes. */
size_t grid_text_width(const char *text);
/* Wrapped at blanks between an indentation and a width. */
void grid_paragraph(const char *text, size_t indent, size_t width, FILE *out);

#endif
