#include "export_grid.h"

#include <string.h>
#include <utf8proc.h>

size_t grid_text_width(const char *text)
{
    const utf8proc_uint8_t *p = (const utf8proc_uint8_t *)text;
    size_t width = 0;

    while (*p) {
        utf8proc_int32_t c;
        utf8proc_ssize_t n = utf8proc_iterate(p, -1, &c);
        if (n <= 0) { /* not UTF-8: a column a byte */
            n = 1;
            c = '?';
        }
        width += (size_t)utf8proc_charwidth(c);
        p += n;
    }
    return width;
}

struct grid grid_of(struct arena *mem, const char *const *heads, const char *sides)
{
    return (struct grid){.mem = mem, .columns = strlen(sides), .heads = heads, .sides = sides};
}

void grid_add(struct grid *g, const char *const *cells)
{
    if (g->rows == g->room) {
        size_t room = g->room ? 2 * g->room : 64;
        g->cells = arena_grow(g->mem, g->cells, g->rows * g->columns, room * g->columns, sizeof *g->cells);
        g->room = room;
    }
    memcpy(g->cells + g->rows++ * g->columns, cells, g->columns * sizeof *cells);
}

void grid_widths(const struct grid *g, size_t widths[GRID_MAX_COLUMNS])
{
    for (size_t c = 0; c < g->columns; c++) {
        widths[c] = grid_text_width(g->heads[c]);
        for (size_t r = 0; r < g->rows; r++) {
            size_t w = grid_text_width(g->cells[r * g->columns + c]);
            widths[c] = w > widths[c] ? w : widths[c];
        }
    }
}

static void write_cells(const struct grid *g, const size_t *widths, const char *const *cells, FILE *out)
{
    for (size_t c = 0; c < g->columns; c++) {
        int pad = (int)(widths[c] - grid_text_width(cells[c]));
        bool last = c + 1 == g->columns;
        if (g->sides[c] == 'r')
            fprintf(out, "%*s%s", pad, "", cells[c]);
        else
            fprintf(out, "%s%*s", cells[c], last ? 0 : pad, "");
        fputs(last ? "\n" : "  ", out);
    }
}

void grid_write_head(const struct grid *g, const size_t *widths, FILE *out)
{
    write_cells(g, widths, g->heads, out);
}

void grid_write_row(const struct grid *g, const size_t *widths, size_t row, FILE *out)
{
    write_cells(g, widths, g->cells + row * g->columns, out);
}

void grid_write(const struct grid *g, FILE *out)
{
    size_t widths[GRID_MAX_COLUMNS];
    grid_widths(g, widths);
    grid_write_head(g, widths, out);
    for (size_t r = 0; r < g->rows; r++)
        grid_write_row(g, widths, r, out);
}

void grid_paragraph(const char *text, size_t indent, size_t width, FILE *out)
{
    size_t at = 0;
    char word[512];

    while (*text) {
        size_t n = strcspn(text, " ");
        snprintf(word, sizeof word, "%.*s", (int)n, text);
        size_t w = grid_text_width(word);
        if (at && at + 1 + w > width) {
            fputc('\n', out);
            at = 0;
        }
        if (at)
            fputc(' ', out);
        else
            fprintf(out, "%*s", (int)indent, "");
        fwrite(text, 1, n, out);
        at = (at ? at + 1 : indent) + w;
        text += n + strspn(text + n, " ");
    }
    fputc('\n', out);
}
