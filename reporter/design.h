/*
 * How every page of a pack looks: page frame, type, lines, fills, the marks of the actions, and the flow of a
 * document from page to page.
 *
 * Measures: margins of 16 mm; lengths in steps of 4 points; seven type sizes from 7 to 20; three line widths.
 * One ink, one accent for order, one signal colour for what needs a hand now; nothing is said by colour
 * alone. An action is a square that fills as it becomes urgent: watch is a point, plan an empty square, this
 * week a square half full, now a full one; what cannot be judged is a square of dashes with a question mark.
 */
#ifndef REPORTER_DESIGN_H
#define REPORTER_DESIGN_H

#include "pdf.h"

enum type_style {
    TYPE_TITLE,  /* of a document */
    TYPE_FIGURE, /* a number that carries a page */
    TYPE_HEAD,   /* of a section */
    TYPE_LEAD,   /* first sentences */
    TYPE_BODY,
    TYPE_STRONG, /* body, bold */
    TYPE_LABEL,  /* of a field, an axis, a column */
    TYPE_NOTE,
};
const struct ink *design_ink(enum type_style style);
double design_leading(enum type_style style);

enum tone { TONE_INK, TONE_QUIET, TONE_HAIR, TONE_PANEL, TONE_ACCENT, TONE_PALE, TONE_SIGNAL, TONE_WHITE };
enum weight { WEIGHT_HAIR, WEIGHT_LINE, WEIGHT_HEAVY };
struct pen design_pen(enum tone tone, enum weight weight);

enum mark { MARK_NONE, MARK_NOW, MARK_WEEK, MARK_PLAN, MARK_WATCH, MARK_UNKNOWN, MARKS };
/* x is the left, y the middle. */
void design_mark(struct pdf *pdf, enum mark mark, double x, double y, double size);
/* An empty square to tick, x left, y middle. */
void design_tick_box(struct pdf *pdf, double x, double y);

enum { DESIGN_STEP = 4, DESIGN_GUTTER = 12 };

/* A document on its way. y is where the next thing goes; left, right, top and bottom bound the body. */
struct sheet {
    struct pdf *pdf;
    struct arena *mem;
    const char *title, *place, *as_of, *id;
    double left, right, top, bottom, y;
};

struct sheet_info {
    enum paper paper;
    const char *title, *place; /* stand on every page */
    const char *as_of;         /* "Data as of ..." with the zone */
    const char *id;            /* of the document */
    const char *subject, *keywords;
    int64_t as_of_us;
};

MUST_USE bool sheet_open(struct sheet *s, const struct sheet_info *info, struct arena *mem, struct err *err);
void sheet_close(struct sheet *s); /* without saving, or after */
void sheet_page(struct sheet *s);
/* Begins a page unless 'height' more points fit on this one. */
void sheet_need(struct sheet *s, double height);
/* Writes "page x of y" and the notes about what could not be printed, then the file. */
MUST_USE bool sheet_save(struct sheet *s, const char *path, struct err *err);

double sheet_width(const struct sheet *s);
void sheet_title(struct sheet *s, const char *title, const char *under);
/* A section's head; 'with' points of what follows stay on its page. */
void sheet_head(struct sheet *s, const char *head, double with);
void sheet_text(struct sheet *s, enum type_style style, const char *text);
void sheet_space(struct sheet *s, double steps);

/* Text at a place; max_lines 0: as many as it takes. Returns the y below. */
double sheet_block(struct sheet *s, enum type_style style, double x, double y, double width, int max_lines,
                   const char *text);

/* A number with its mark and what it counts, side by side over the width. */
struct figure {
    enum mark mark;
    const char *number, *label;
};
void sheet_figures(struct sheet *s, const struct figure *figures, size_t count);

/* Label and value under each other; returns the y below. Empty values are shown as "not known". */
struct pair {
    const char *label, *value;
};
double sheet_pairs(struct sheet *s, double x, double y, double width, const struct pair *pairs, size_t count);

#endif
