/*
 * Text as the packs' fonts can print it: made clean, measured, broken into lines. Pure; the only user of
 * utf8proc here.
 */
#ifndef REPORTER_GLYPHS_H
#define REPORTER_GLYPHS_H

#include "base/arena.h"

#include <stdint.h>

enum face { FACE_REGULAR, FACE_BOLD };

/*
 * The text as it can be printed (itself where nothing is to be done, else a copy in mem): composed (NFC),
 * line ends and controls as blanks, direction marks and soft hyphens left out. What is no UTF-8 or not in the
 * face becomes U+FFFD; *missing (may be NULL) counts them.
 */
const char *glyphs_prepare(enum face face, const char *text, struct arena *mem, size_t *missing);

/* The rest is for prepared text. Widths are in thousandths of the type size. */
unsigned glyphs_width(enum face face, const char *text, size_t bytes);
/* Bytes of the longest start, at a character border, that is not wider than 'width'. */
size_t glyphs_fit(enum face face, const char *text, size_t bytes, double width);
/* Bytes of the next line: cut at a blank, else after a hyphen, slash, comma or low line, else within the word
 * (at least one character). *next is where the line after it starts. */
size_t glyphs_line(enum face face, const char *text, double width, size_t *next);

#endif
