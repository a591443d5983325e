#include "table.h"

static const double pad_x = 4, pad_y = 2.2, mark_room = 12;

struct row {
    enum row_kind kind;
    struct cell *cells;
    int target; /* -1: none */
    double height;
};

struct table {
    struct sheet *sheet;
    const struct column *columns;
    size_t column_count;
    double *x, *width; /* of each column's text */
    struct row *rows;
    size_t row_count, row_room;
};

struct table *table_new(struct sheet *s, const struct column *columns, size_t count)
{
    struct table *t = arena_alloc(s->mem, sizeof *t);
    double shares = 0, x = s->left;

    *t = (struct table){.sheet = s, .columns = columns, .column_count = count};
    t->x = arena_array(s->mem, double, count);
    t->width = arena_array(s->mem, double, count);
    for (size_t i = 0; i < count; i++)
        shares += columns[i].share;
    for (size_t i = 0; i < count; i++) {
        double whole = sheet_width(s) * columns[i].share / shares;
        t->x[i] = x + pad_x;
        t->width[i] = whole - 2 * pad_x;
        x += whole;
    }
    return t;
}

struct cell *table_row(struct table *t, enum row_kind kind)
{
    if (t->row_count == t->row_room) {
        size_t room = t->row_room ? 2 * t->row_room : 16;
        t->rows = arena_grow(t->sheet->mem, t->rows, t->row_count, room, sizeof *t->rows);
        t->row_room = room;
    }
    struct row *row = &t->rows[t->row_count++];
    row->kind = kind;
    row->target = -1;
    row->cells = arena_array(t->sheet->mem, struct cell, t->column_count);
    return row->cells;
}

void table_link(struct table *t, int target)
{
    t->rows[t->row_count - 1].target = target;
}

size_t table_rows(const struct table *t)
{
    return t->row_count;
}

static enum type_style style_of(const struct row *row, const struct cell *cell)
{
    return cell->strong || row->kind != ROW_PLAIN ? TYPE_STRONG : TYPE_BODY;
}

static struct block block_of(const struct table *t, const struct row *row, size_t column)
{
    const struct cell *cell = &row->cells[column];
    enum type_style style = style_of(row, cell);
    enum align align = row->kind == ROW_GROUP ? ALIGN_LEFT : t->columns[column].align;
    double room = cell->mark == MARK_NONE ? 0 : mark_room;
    struct block block = {.ink = design_ink(style),
                          .align = align,
                          .x = t->x[column] + room,
                          .width = t->width[column] - room,
                          .leading = design_leading(style),
                          .max_lines = t->columns[column].max_lines};

    if (row->kind == ROW_GROUP) {
        block.width = sheet_width(t->sheet) - 2 * pad_x - room;
        block.max_lines = 2;
    }
    if (align == ALIGN_RIGHT)
        block.x = t->x[column] + t->width[column];
    else if (align == ALIGN_CENTRE)
        block.x = t->x[column] + t->width[column] / 2;
    return block;
}

static void measure(struct table *t)
{
    for (size_t r = 0; r < t->row_count; r++) {
        struct row *row = &t->rows[r];
        double tallest = design_leading(TYPE_BODY);
        size_t cells = row->kind == ROW_GROUP ? 1 : t->column_count;
        for (size_t c = 0; c < cells; c++) {
            struct block block = block_of(t, row, c);
            double height =
                row->cells[c].text ? pdf_paragraph(t->sheet->pdf, &block, row->cells[c].text, false) : 0;
            tallest = height > tallest ? height : tallest;
        }
        row->height = tallest + 2 * pad_y;
    }
}

static struct block head_block(const struct table *t, size_t column)
{
    struct block block = {.ink = design_ink(TYPE_LABEL),
                          .align = t->columns[column].align,
                          .x = t->x[column],
                          .width = t->width[column],
                          .leading = design_leading(TYPE_LABEL),
                          .max_lines = 2};
    if (block.align == ALIGN_RIGHT)
        block.x += block.width;
    else if (block.align == ALIGN_CENTRE)
        block.x += block.width / 2;
    return block;
}

static double head_text_height(const struct table *t)
{
    double tallest = 0;
    for (size_t c = 0; c < t->column_count; c++) {
        struct block block = head_block(t, c);
        double height = pdf_paragraph(t->sheet->pdf, &block, t->columns[c].head, false);
        tallest = height > tallest ? height : tallest;
    }
    return tallest;
}

static void draw_head(struct table *t)
{
    struct sheet *s = t->sheet;
    const struct pen rule = design_pen(TONE_INK, WEIGHT_LINE);
    double height = head_text_height(t);

    for (size_t c = 0; c < t->column_count; c++) {
        struct block block = head_block(t, c);
        block.y = s->y + height - pdf_paragraph(s->pdf, &block, t->columns[c].head, false);
        pdf_paragraph(s->pdf, &block, t->columns[c].head, true);
    }
    s->y += height + pad_y;
    pdf_line(s->pdf, &rule, s->left, s->y, s->right, s->y);
}

static void draw_row(struct table *t, const struct row *row)
{
    struct sheet *s = t->sheet;
    const struct pen panel = design_pen(TONE_PANEL, WEIGHT_HAIR), hair = design_pen(TONE_HAIR, WEIGHT_HAIR);
    const struct pen rule = design_pen(TONE_INK, WEIGHT_LINE);
    size_t cells = row->kind == ROW_GROUP ? 1 : t->column_count;

    if (row->kind == ROW_GROUP)
        pdf_box(s->pdf, &panel, NULL, s->left, s->y, sheet_width(s), row->height);
    if (row->kind == ROW_SUM)
        pdf_line(s->pdf, &rule, s->left, s->y, s->right, s->y);
    for (size_t c = 0; c < cells; c++) {
        struct block block = block_of(t, row, c);
        block.y = s->y + pad_y;
        if (row->cells[c].mark != MARK_NONE)
            design_mark(s->pdf, row->cells[c].mark, t->x[c], block.y + block.leading / 2, 7.5);
        if (row->cells[c].text)
            pdf_paragraph(s->pdf, &block, row->cells[c].text, true);
        else if (row->cells[c].page && row->target >= 0)
            pdf_page_number(s->pdf, block.ink, block.align, block.x,
                            block.y + block.leading / 2 + block.ink->size * 0.36, row->target);
    }
    if (row->target >= 0)
        pdf_link(s->pdf, s->left, s->y, sheet_width(s), row->height, row->target);
    s->y += row->height;
    pdf_line(s->pdf, &hair, s->left, s->y, s->right, s->y);
}

/* What has to stand on one page together with row r. */
static double kept_together(const struct table *t, size_t r)
{
    double height = t->rows[r].height;

    if (t->rows[r].kind == ROW_GROUP && r + 1 < t->row_count)
        height += t->rows[++r].height;
    if (r + 2 == t->row_count || (r + 1 < t->row_count && t->rows[r + 1].kind == ROW_SUM))
        height += t->rows[r + 1].height;
    return height;
}

double table_start_height(struct table *t)
{
    measure(t);
    double height = head_text_height(t) + pad_y;
    for (size_t r = 0; r < 3 && r < t->row_count; r++)
        height += t->rows[r].height;
    return height;
}

void table_draw(struct table *t)
{
    struct sheet *s = t->sheet;

    if (!t->row_count)
        return;
    sheet_need(s, table_start_height(t));
    draw_head(t);
    for (size_t r = 0; r < t->row_count; r++) {
        if (s->y + kept_together(t, r) > s->bottom) {
            sheet_page(s);
            draw_head(t);
        }
        draw_row(t, &t->rows[r]);
    }
    sheet_space(s, 1);
}
