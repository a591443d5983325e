/*
 * Small readings of text: numbers without surprises, UTF-8, blanks. Nothing here depends on the locale
 * (the programs never call setlocale for numbers).
 */
#ifndef BASE_TEXT_H
#define BASE_TEXT_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

/* Whole text or nothing: no blanks, no trailing characters, no overflow. */
MUST_USE bool text_int64(const char *text, int64_t *value);
MUST_USE bool text_uint64(const char *text, uint64_t *value);
/* Finite decimal numbers only: "INF", "NaN" and hexadecimal forms are refused. */
MUST_USE bool text_double(const char *text, double *value);
/*
 * A decimal number in thousandths, exact to three places and rounded half away from zero beyond them:
 * "1234.5678" gives 1234568. Accepts an exponent. Refuses what does not fit an int32_t.
 */
MUST_USE bool text_milli(const char *text, int32_t *value);
MUST_USE bool text_yes_no(const char *text, bool *value); /* "yes" or "no" */

/* True for well-formed UTF-8 without NUL and other control characters but tab and newline. */
bool text_is_clean(const char *text, size_t bytes);
/* Cuts blanks at both ends in place; returns the new start. */
char *text_trim(char *text);
/* The UTF-8 text cut to at most max_bytes at a character border, in place. */
void text_cut(char *text, size_t max_bytes);

#endif
