/*
 * Marks on pages: text, lines, boxes, links, bookmarks, codes. The only user of libharu, libqrencode and
 * utf8proc here.
 *
 * A page is measured in points from its top left corner, y downwards. Coordinates that are not finite, text
 * that is not UTF-8 and glyphs that the font lacks are caught here (libharu writes them as damage without an
 * error); missing glyphs are replaced by U+FFFD's box and counted. The document is made in memory and written
 * whole: temporary file, fsync, rename. No dates of now: same calls, same bytes.
 */
#ifndef REPORTER_PDF_H
#define REPORTER_PDF_H

#include "base/arena.h"

#include <stdint.h>

struct pdf;

enum paper { PAPER_A4, PAPER_LETTER };
enum face { FACE_REGULAR, FACE_BOLD };
enum align { ALIGN_LEFT, ALIGN_CENTRE, ALIGN_RIGHT };

struct pdf_info {
    const char *title, *author, *subject, *keywords;
    int64_t created_us; /* the as-of moment */
};

MUST_USE bool pdf_new(struct pdf **pdf, enum paper paper, const struct pdf_info *info, struct err *err);
void pdf_free(struct pdf *pdf);
/* Draws a page again for "page x of y": returns the number of pages begun. */
int pdf_page_count(const struct pdf *pdf);
void pdf_page_begin(struct pdf *pdf);
/* Makes an earlier page (from 0) the current one, for marks that need the whole, like "page x of y". */
void pdf_page_select(struct pdf *pdf, int page);
double pdf_width(const struct pdf *pdf); /* of the page */
double pdf_height(const struct pdf *pdf);

/* grey: 0 black to 1 white. */
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
/* Wrapped at blanks (a longer word is cut); returns the y below the last line. lines may be NULL; with draw
 * false it only measures. */
double pdf_paragraph(struct pdf *pdf, const struct ink *ink, double x, double y, double width, double leading,
                     const char *text, bool draw);

void pdf_bookmark(struct pdf *pdf, int level,
                  const char *title); /* to the current page; level 0 is the top */
/* A rectangle of the current page that leads to another page (from 0), which may be begun later. */
void pdf_link(struct pdf *pdf, double x, double y, double w, double h, int page);
void pdf_code(struct pdf *pdf, double x, double y, double size,
              const char *content); /* QR, level M, with quiet zone */

size_t pdf_missing_glyphs(const struct pdf *pdf);
/* Any failure since pdf_new shows here: ERR_OUTPUT, nothing is left behind under the final name. */
MUST_USE bool pdf_save(struct pdf *pdf, const char *path, struct err *err);

#endif
