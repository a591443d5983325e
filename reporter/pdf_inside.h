/*
 * What the files pdf*.c share: the document and its present state. Nobody else includes this.
 */
#ifndef REPORTER_PDF_INSIDE_H
#define REPORTER_PDF_INSIDE_H

#include "pdf.h"

#include <hpdf.h>

enum {
    FACES = 2,
    OUTLINE_LEVELS = 4,
};

struct link {
    int page, target;
    HPDF_Rect place;
};

struct page_number {
    int page, target;
    struct ink ink;
    enum align align;
    double x, y;
};

struct colour {
    double red, green, blue;
};

struct pdf {
    HPDF_Doc doc;
    HPDF_STATUS failed; /* the first error of libharu */
    HPDF_STATUS failed_detail;
    HPDF_Font fonts[FACES];
    double width, height;
    struct arena *mem, *scratch;
    HPDF_Page *pages;
    int page_count, page_room, current;
    int *targets; /* page, -1: not drawn yet */
    int target_count, target_room;
    struct link *links;
    size_t link_count, link_room;
    struct page_number *numbers;
    size_t number_count, number_room;
    HPDF_Outline outline[OUTLINE_LEVELS];
    size_t missing, lost_marks;
    /* What the current page was last told; libharu would write it again and again. */
    struct colour fill, stroke;
    double line_width, dash, size;
    int face;
};

HPDF_Page pdf_inside_page(const struct pdf *pdf);
/* False, and counts a lost mark, when one is not finite. */
bool pdf_inside_finite(struct pdf *pdf, const double *v, size_t n);
void pdf_inside_fill(struct pdf *pdf, double red, double green, double blue);
/* Lengths as libharu wants them, and y turned upwards. */
HPDF_REAL pdf_inside_x(double x);
HPDF_REAL pdf_inside_y(const struct pdf *pdf, double y);
/* Text made printable; lives until the next call. */
const char *pdf_inside_text(struct pdf *pdf, enum face face, const char *text, size_t *missing);

#endif
