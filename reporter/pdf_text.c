#include "pdf_inside.h"

#include <string.h>

enum {
    MAX_TEXT_BYTES = 1000, /* libharu's errors over long text are sticky */
    SCRATCH_KEPT = 1 << 22,
};

const char *pdf_inside_text(struct pdf *pdf, enum face face, const char *text, size_t *missing)
{
    if (arena_used(pdf->scratch) > SCRATCH_KEPT)
        arena_reset(pdf->scratch);
    return glyphs_prepare(face, text, pdf->scratch, missing);
}

static double width_in_points(const struct ink *ink, const char *text, size_t bytes)
{
    return glyphs_width(ink->face, text, bytes) * ink->size / 1000;
}

/* x is the left end; text is prepared. */
static void show(struct pdf *pdf, const struct ink *ink, double x, double y, const char *text, size_t bytes)
{
    HPDF_Page page = pdf_inside_page(pdf);
    char line[MAX_TEXT_BYTES + 1];

    if (!bytes || !pdf_inside_finite(pdf, (double[]){x, y, ink->size}, 3))
        return;
    bytes = bytes < MAX_TEXT_BYTES ? bytes : MAX_TEXT_BYTES;
    while (bytes && bytes == MAX_TEXT_BYTES && ((unsigned char)text[bytes] & 0xC0) == 0x80)
        bytes--; /* not within a character */
    memcpy(line, text, bytes);
    line[bytes] = '\0';

    pdf_inside_fill(pdf, ink->red, ink->green, ink->blue);
    if (pdf->face != (int)ink->face || pdf->size != ink->size)
        HPDF_Page_SetFontAndSize(page, pdf->fonts[ink->face], (HPDF_REAL)ink->size);
    pdf->face = (int)ink->face;
    pdf->size = ink->size;
    HPDF_Page_BeginText(page);
    HPDF_Page_MoveTextPos(page, pdf_inside_x(x), pdf_inside_y(pdf, y));
    HPDF_Page_ShowText(page, line);
    HPDF_Page_EndText(page);
}

static double left_end(enum align align, double x, double width)
{
    return align == ALIGN_LEFT ? x : align == ALIGN_CENTRE ? x - width / 2 : x - width;
}

double pdf_text_width(struct pdf *pdf, const struct ink *ink, const char *text)
{
    text = pdf_inside_text(pdf, ink->face, text, NULL);
    return width_in_points(ink, text, strlen(text));
}

double pdf_text(struct pdf *pdf, const struct ink *ink, enum align align, double x, double y,
                const char *text)
{
    text = pdf_inside_text(pdf, ink->face, text, &pdf->missing);
    double width = width_in_points(ink, text, strlen(text));
    show(pdf, ink, left_end(align, x, width), y, text, strlen(text));
    return width;
}

/* As much as fits, with an ellipsis where 'text' is cut, or where more must follow. */
static void show_cut(struct pdf *pdf, const struct ink *ink, enum align align, double x, double y,
                     double width, const char *text, bool more)
{
    static const char ellipsis[] = "\u2026";
    size_t bytes = strlen(text);
    double all = width_in_points(ink, text, bytes);

    if (!more && all <= width) {
        show(pdf, ink, left_end(align, x, all), y, text, bytes);
        return;
    }
    double dots = width_in_points(ink, ellipsis, strlen(ellipsis));
    bytes = glyphs_fit(ink->face, text, bytes, (width - dots) * 1000 / ink->size);
    while (bytes && text[bytes - 1] == ' ')
        bytes--;
    double kept = width_in_points(ink, text, bytes);
    double from = left_end(align, x, kept + dots);
    show(pdf, ink, from, y, text, bytes);
    show(pdf, ink, from + kept, y, ellipsis, strlen(ellipsis));
}

void pdf_text_fit(struct pdf *pdf, const struct ink *ink, enum align align, double x, double y, double width,
                  const char *text)
{
    text = pdf_inside_text(pdf, ink->face, text, &pdf->missing);
    show_cut(pdf, ink, align, x, y, width, text, false);
}

double pdf_paragraph(struct pdf *pdf, const struct block *block, const char *text, bool draw)
{
    const struct ink *ink = block->ink;
    double y = block->y;

    text = pdf_inside_text(pdf, ink->face, text, draw ? &pdf->missing : NULL);
    text += strspn(text, " ");
    for (size_t line, next, number = 1; *text; text += next, number++) {
        /* The base line leaves the descenders room within the line's height. */
        double base = y + block->leading / 2 + ink->size * 0.36;
        line = glyphs_line(ink->face, text, block->width * 1000 / ink->size, &next);
        y += block->leading;
        if ((int)number == block->max_lines && text[next]) {
            if (draw)
                show_cut(pdf, ink, block->align, block->x, base, block->width, text, true);
            break;
        }
        if (draw)
            show(pdf, ink, left_end(block->align, block->x, width_in_points(ink, text, line)), base, text,
                 line);
    }
    return y;
}
