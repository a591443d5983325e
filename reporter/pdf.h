/*
 * Marks on pages: text, lines, boxes, links, bookmarks, codes. The only user of libharu and libqrencode here.
 *
 * A page is measured in points from its top left corner, y downwards. Coordinates that are not finite, text
 * that is not UTF-8 and glyphs that the font lacks are caught here (libharu writes them as damage without an
 * error); missing glyphs are replaced by U+FFFD's box and counted. The document is made in memory and written
 * whole: temporary file, fsync, rename. No dates of now: same calls, same bytes.
 */
#ifndef REPORTER_PDF_H
#define REPORTER_PDF_H

#include "base/arena.h"
#include "glyphs.h"

#include <stdint.h>

struct pdf;

enum paper { PAPER_A4, PAPER_LETTER };
enum align { ALIGN_LEFT, ALIGN_CENTRE, ALIGN_RIGHT };

struct pdf_info {
    const char *title, *author, *subject, *keywords;
    int64_t created_us; /* the as-of moment */
};

MUST_USE bool pdf_new(struct pdf **pdf, enum paper paper, const struct pdf_info *info, struct err *err);
void pdf_free(struct pdf *pdf);
/* Pages begun so far. */
int pdf_page_count(const struct pdf *pdf);
void pdf_page_begin(struct pdf *pdf);
/* Makes an earlier page (from 0) the current one, for marks that need the whole, like "page x of y". */
void pdf_page_select(struct pdf *pdf, int page);
double pdf_width(const struct pdf *pdf); /* of the page */
double pdf_height(const struct pdf *pdf);

/* Colours run from 0 to 1. For a filling only the colour counts. */
struct pen {
    double red, green, blue, width;
    double dash; /* length of dash and pause; 0: solid */
};
void pdf_line(struct pdf *pdf, const struct pen *pen, double x0, double y0, double x1, double y1);
void pdf_path(struct pdf *pdf, const struct pen *pen, const double *x, const double *y,
              size_t n); /* NAN lifts the pen */
void pdf_area(struct pdf *pdf, const struct pen *fill, const double *x, const double *y,
              size_t n); /* closed, filled */
void pdf_box(struct pdf *pdf, const struct pen *fill, const struct pen *edge, double x, double y, double w,
             double h);
void pdf_circle(struct pdf *pdf, const struct pen *fill, const struct pen *edge, double x, double y,
                double radius);

struct ink {
    enum face face;
    double size, red, green, blue;
};
double pdf_text_width(struct pdf *pdf, const struct ink *ink, const char *text);
/* y is the base line. Returns the width written. */
double pdf_text(struct pdf *pdf, const struct ink *ink, enum align align, double x, double y,
                const char *text);
/* As pdf_text, cut with an ellipsis to fit. */
void pdf_text_fit(struct pdf *pdf, const struct ink *ink, enum align align, double x, double y, double width,
                  const char *text);
/* A block of lines: x is its left, middle or right as align says, y the top. */
struct block {
    const struct ink *ink;
    enum align align;
    double x, y, width, leading;
    int max_lines; /* the last one ends in an ellipsis when more would follow; 0: no limit */
};
/* Wrapped at blanks (a longer word is cut). Returns the y below the last line; with draw false it only
 * measures. */
double pdf_paragraph(struct pdf *pdf, const struct block *block, const char *text, bool draw);

void pdf_bookmark(struct pdf *pdf, int level,
                  const char *title); /* to the current page; level 0 is the top */
/* A place that links can lead to, from before it is drawn; pdf_target_here says that it is the current page.
 */
int pdf_target(struct pdf *pdf);
void pdf_target_here(struct pdf *pdf, int target);
/* The number of the target's page, counted from 1; written when the document is saved. y is the base line. */
void pdf_page_number(struct pdf *pdf, const struct ink *ink, enum align align, double x, double y,
                     int target);
/* A rectangle of the current page that leads to a target. */
void pdf_link(struct pdf *pdf, double x, double y, double w, double h, int target);
/* QR, level M, a quiet zone of four modules within the size. */
void pdf_code(struct pdf *pdf, double x, double y, double size, const char *content);

size_t pdf_missing_glyphs(const struct pdf *pdf);
/* Marks left out because a coordinate was not finite. */
size_t pdf_lost_marks(const struct pdf *pdf);
/* Any failure since pdf_new shows here: ERR_OUTPUT, nothing is left behind under the final name. */
MUST_USE bool pdf_save(struct pdf *pdf, const char *path, struct err *err);

#endif
