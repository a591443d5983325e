/*
 * The fonts that the packs are set in, inside the program: no font file is looked for at run time.
 * The tables are made at build time by flatten.py.
 */
#ifndef REPORTER_FONTS_H
#define REPORTER_FONTS_H

#include <stddef.h>
#include <stdint.h>

/* Characters first to last are all in the font; widths in thousandths of the type size. */
struct glyph_run {
    uint32_t first, last;
    const uint16_t *width;
};

struct font {
    const unsigned char *bytes; /* a TrueType file */
    size_t size;
    const struct glyph_run *runs; /* in rising order */
    size_t run_count;
};

extern const struct font font_of_face[]; /* in the order of enum face */

#endif
