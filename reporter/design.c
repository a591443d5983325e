#include "design.h"

#include <stdio.h>

static const double margin = 45.4; /* 16 mm */
static const double frame = 20;    /* head and foot lines with their text */

/* Red, green, blue. Tones keep their order in grey; ink, quiet, accent and signal stand out from white by 4.5
 * : 1 and more. */
#define INK 0.10, 0.11, 0.12
#define QUIET 0.38, 0.39, 0.41
#define ACCENT 0.07, 0.27, 0.38

static const struct {
    double red, green, blue;
} tones[] = {
    [TONE_INK] = {INK},
    [TONE_QUIET] = {QUIET},
    [TONE_HAIR] = {0.76, 0.77, 0.78},
    [TONE_PANEL] = {0.94, 0.945, 0.95},
    [TONE_ACCENT] = {ACCENT},
    [TONE_PALE] = {0.78, 0.86, 0.89},
    [TONE_SIGNAL] = {0.68, 0.22, 0.05},
    [TONE_WHITE] = {1, 1, 1},
};

static const struct {
    struct ink ink;
    double leading;
} types[] = {
    [TYPE_TITLE] = {{FACE_BOLD, 18, INK}, 22},      [TYPE_FIGURE] = {{FACE_BOLD, 20, INK}, 24},
    [TYPE_HEAD] = {{FACE_BOLD, 10.5, ACCENT}, 14},  [TYPE_LEAD] = {{FACE_REGULAR, 9.5, INK}, 13.5},
    [TYPE_BODY] = {{FACE_REGULAR, 8, INK}, 11},     [TYPE_STRONG] = {{FACE_BOLD, 8, INK}, 11},
    [TYPE_LABEL] = {{FACE_REGULAR, 7, QUIET}, 9.5}, [TYPE_NOTE] = {{FACE_REGULAR, 7, INK}, 9.5},
};

const struct ink *design_ink(enum type_style style)
{
    return &types[style].ink;
}

double design_leading(enum type_style style)
{
    return types[style].leading;
}

struct pen design_pen(enum tone tone, enum weight weight)
{
    static const double widths[] = {0.4, 0.8, 1.4};
    return (struct pen){.red = tones[tone].red,
                        .green = tones[tone].green,
                        .blue = tones[tone].blue,
                        .width = widths[weight]};
}

void design_mark(struct pdf *pdf, enum mark mark, double x, double y, double size)
{
    const struct pen ink = design_pen(TONE_INK, WEIGHT_LINE), signal = design_pen(TONE_SIGNAL, WEIGHT_LINE);
    struct pen dashed = design_pen(TONE_INK, WEIGHT_LINE);
    double top = y - size / 2, edge = ink.width / 2;

    dashed.dash = size < 10 ? 1 : 2;
    dashed.width = size < 10 ? 0.5 : 0.8;
    switch (mark) {
    case MARK_NOW:
        pdf_box(pdf, &signal, &signal, x + edge, top + edge, size - 2 * edge, size - 2 * edge);
        break;
    case MARK_WEEK:
        pdf_area(pdf, &ink, (double[]){x, x + size, x}, (double[]){top, top + size, top + size}, 3);
        pdf_box(pdf, NULL, &ink, x + edge, top + edge, size - 2 * edge, size - 2 * edge);
        break;
    case MARK_PLAN:
        pdf_box(pdf, NULL, &ink, x + edge, top + edge, size - 2 * edge, size - 2 * edge);
        break;
    case MARK_WATCH:
        pdf_circle(pdf, &ink, NULL, x + size / 2, y, size * 0.22);
        break;
    case MARK_UNKNOWN: {
        struct ink sign = *design_ink(TYPE_STRONG);
        sign.size = size * 0.85;
        pdf_box(pdf, NULL, &dashed, x + edge, top + edge, size - 2 * edge, size - 2 * edge);
        pdf_text(pdf, &sign, ALIGN_CENTRE, x + size / 2, y + sign.size * 0.36, "?");
        break;
    }
    case MARK_NONE:
    case MARKS:
        break;
    }
}

void design_tick_box(struct pdf *pdf, double x, double y)
{
    const struct pen pen = design_pen(TONE_INK, WEIGHT_HAIR);
    pdf_box(pdf, NULL, &pen, x, y - 3.5, 7, 7);
}

/* The document */

bool sheet_open(struct sheet *s, const struct sheet_info *info, struct arena *mem, struct err *err)
{
    const struct pdf_info about = {
        .title = arena_printf(mem, "%s \u2013 %s", info->title, info->place),
        .author = "Vaneward",
        .subject = info->subject,
        .keywords = info->keywords,
        .created_us = info->as_of_us,
    };

    *s = (struct sheet){
        .mem = mem, .title = info->title, .place = info->place, .as_of = info->as_of, .id = info->id};
    if (!pdf_new(&s->pdf, info->paper, &about, err))
        return false;
    s->left = margin;
    s->right = pdf_width(s->pdf) - margin;
    s->top = margin + frame;
    s->bottom = pdf_height(s->pdf) - margin - frame;
    return true;
}

void sheet_close(struct sheet *s)
{
    pdf_free(s->pdf);
    s->pdf = NULL;
}

void sheet_page(struct sheet *s)
{
    const struct pen rule = design_pen(TONE_ACCENT, WEIGHT_LINE), hair = design_pen(TONE_HAIR, WEIGHT_HAIR);
    const struct pen accent = design_pen(TONE_ACCENT, WEIGHT_LINE);
    const struct ink *note = design_ink(TYPE_NOTE), *label = design_ink(TYPE_LABEL);
    double head = margin + 8, foot = pdf_height(s->pdf) - margin;

    pdf_page_begin(s->pdf);
    pdf_box(s->pdf, &accent, NULL, s->left, head - 7, 3, 8);
    double x = s->left + 8;
    x += pdf_text(s->pdf, note, ALIGN_LEFT, x, head - 0.5, s->title);
    pdf_text_fit(s->pdf, label, ALIGN_RIGHT, s->right, head - 0.5, s->right - x - DESIGN_GUTTER, s->place);
    pdf_line(s->pdf, &rule, s->left, head + 4, s->right, head + 4);

    pdf_line(s->pdf, &hair, s->left, foot - 11, s->right, foot - 11);
    pdf_text_fit(s->pdf, label, ALIGN_LEFT, s->left, foot, sheet_width(s) * 0.48, s->as_of);
    pdf_text_fit(s->pdf, label, ALIGN_LEFT, s->left + sheet_width(s) * 0.5, foot, sheet_width(s) * 0.36,
                 s->id);
    s->y = s->top;
}

void sheet_need(struct sheet *s, double height)
{
    if (s->y + height > s->bottom)
        sheet_page(s);
}

static void note_losses(struct sheet *s)
{
    const struct ink *ink = design_ink(TYPE_NOTE);
    size_t glyphs = pdf_missing_glyphs(s->pdf), marks = pdf_lost_marks(s->pdf);
    char text[200];

    if (!glyphs && !marks)
        return;
    snprintf(
        text, sizeof text,
        "Not printed in this document: %zu characters that the font lacks (\uFFFD stands there), %zu marks.",
        glyphs, marks);
    pdf_page_select(s->pdf, 0);
    pdf_text(s->pdf, ink, ALIGN_LEFT, s->left, pdf_height(s->pdf) - margin - 15, text);
}

bool sheet_save(struct sheet *s, const char *path, struct err *err)
{
    int pages = pdf_page_count(s->pdf);
    char text[40];

    note_losses(s);
    for (int page = 0; page < pages; page++) {
        snprintf(text, sizeof text, "page %d of %d", page + 1, pages);
        pdf_page_select(s->pdf, page);
        pdf_text(s->pdf, design_ink(TYPE_LABEL), ALIGN_RIGHT, s->right, pdf_height(s->pdf) - margin, text);
    }
    return pdf_save(s->pdf, path, err);
}

/* What stands in it */

double sheet_width(const struct sheet *s)
{
    return s->right - s->left;
}

double sheet_block(struct sheet *s, enum type_style style, double x, double y, double width, int max_lines,
                   const char *text)
{
    const struct block block = {design_ink(style), ALIGN_LEFT, x, y, width, design_leading(style), max_lines};
    return pdf_paragraph(s->pdf, &block, text, true);
}

void sheet_space(struct sheet *s, double steps)
{
    s->y += steps * DESIGN_STEP;
}

void sheet_title(struct sheet *s, const char *title, const char *under)
{
    s->y = sheet_block(s, TYPE_TITLE, s->left, s->y, sheet_width(s), 2, title);
    s->y = sheet_block(s, TYPE_LEAD, s->left, s->y, sheet_width(s), 2, under);
    sheet_space(s, 3);
}

void sheet_head(struct sheet *s, const char *head, double with)
{
    sheet_need(s, design_leading(TYPE_HEAD) + 4 * DESIGN_STEP + with);
    if (s->y > s->top)
        sheet_space(s, 3);
    s->y = sheet_block(s, TYPE_HEAD, s->left, s->y, sheet_width(s), 1, head);
    sheet_space(s, 1);
}

static double text_height(struct sheet *s, enum type_style style, const char *text)
{
    const struct block block = {design_ink(style),     ALIGN_LEFT, 0, 0, sheet_width(s),
                                design_leading(style), 0};
    return pdf_paragraph(s->pdf, &block, text, false);
}

void sheet_text(struct sheet *s, enum type_style style, const char *text)
{
    double height = text_height(s, style, text);

    sheet_need(s, height);
    s->y = sheet_block(s, style, s->left, s->y, sheet_width(s), 0, text);
    sheet_space(s, 1);
}

void sheet_figures(struct sheet *s, const struct figure *figures, size_t count)
{
    const struct pen hair = design_pen(TONE_HAIR, WEIGHT_HAIR);
    double step = sheet_width(s) / (double)count, height = 50;

    sheet_need(s, height);
    for (size_t i = 0; i < count; i++) {
        double x = s->left + step * (double)i, mark = figures[i].mark == MARK_NONE ? 0 : 18;
        if (i)
            pdf_line(s->pdf, &hair, x - 6, s->y + 2, x - 6, s->y + height - 12);
        design_mark(s->pdf, figures[i].mark, x, s->y + 12, 13);
        pdf_text_fit(s->pdf, design_ink(TYPE_FIGURE), ALIGN_LEFT, x + mark, s->y + 19, step - mark - 10,
                     figures[i].number);
        sheet_block(s, TYPE_LABEL, x, s->y + 24, step - 12, 2, figures[i].label);
    }
    s->y += height;
}

enum { LABEL_WIDTH = 78 };

double sheet_pairs(struct sheet *s, double x, double y, double width, const struct pair *pairs, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const char *value = pairs[i].value ? pairs[i].value : "not known";
        pdf_text_fit(s->pdf, design_ink(TYPE_LABEL), ALIGN_LEFT, x, y + 8.4, LABEL_WIDTH - 4, pairs[i].label);
        y = sheet_block(s, TYPE_BODY, x + LABEL_WIDTH, y, width - LABEL_WIDTH, 2, value);
    }
    return y;
}
