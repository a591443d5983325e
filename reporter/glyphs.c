#include "glyphs.h"

#include "fonts/fonts.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>
#include <utf8proc.h>

enum { REPLACEMENT = 0xFFFD, FIRST_COMBINING = 0x300 };

/* Width of a character, or -1 when the face lacks it. */
static int width_of(const struct font *font, int32_t character)
{
    size_t low = 0, high = font->run_count;

    while (low < high) {
        size_t middle = (low + high) / 2;
        if ((uint32_t)character > font->runs[middle].last)
            low = middle + 1;
        else
            high = middle;
    }
    if (low == font->run_count || (uint32_t)character < font->runs[low].first)
        return -1;
    return font->runs[low].width[(uint32_t)character - font->runs[low].first];
}

/* One character, at least one byte; -1 for a byte that is no UTF-8. */
static int32_t next_character(const char *text, size_t bytes, size_t *taken)
{
    int32_t character;
    utf8proc_ssize_t n =
        utf8proc_iterate((const utf8proc_uint8_t *)text, (utf8proc_ssize_t)bytes, &character);

    *taken = n > 0 ? (size_t)n : 1;
    return n > 0 ? character : -1;
}

static bool is_left_out(int32_t c)
{
    return c == 0xAD || (c >= 0x200B && c <= 0x200F) || (c >= 0x202A && c <= 0x202E) ||
           (c >= 0x2060 && c <= 0x2069) || c == 0xFEFF;
}

static bool is_blank(int32_t c)
{
    return c < 0x20 || (c >= 0x7F && c < 0xA0) || c == 0x2028 || c == 0x2029;
}

static bool has_combining(const char *text)
{
    for (const unsigned char *c = (const unsigned char *)text; *c; c++)
        if (*c >= 0xCC) /* the first byte of U+0300 and above */
            return true;
    return false;
}

/* "a" and a combining accent are one printed letter where Unicode has it; text that is no UTF-8 stays. */
static char *compose(const char *text)
{
    if (!has_combining(text))
        return NULL;
    return (char *)utf8proc_NFC((const utf8proc_uint8_t *)text);
}

static bool is_plain(const char *text)
{
    for (; *text; text++)
        if (*text < ' ' || *text > '~')
            return false;
    return true;
}

const char *glyphs_prepare(enum face face, const char *text, struct arena *mem, size_t *missing)
{
    if (is_plain(text))
        return text;
    const struct font *font = &font_of_face[face];
    char *composed = compose(text);
    const char *from = composed ? composed : text;
    size_t left = strlen(from), taken, lost = 0;
    char *out = arena_alloc(mem, 3 * left + 1); /* a lost byte takes three */
    size_t length = 0;

    for (; left; from += taken, left -= taken) {
        int32_t c = next_character(from, left, &taken);
        if (c >= 0 && is_left_out(c))
            continue;
        if (c >= 0 && is_blank(c)) {
            out[length++] = ' ';
        } else if (c >= 0 && width_of(font, c) >= 0) {
            memcpy(out + length, from, taken);
            length += taken;
        } else {
            length += (size_t)utf8proc_encode_char(REPLACEMENT, (utf8proc_uint8_t *)out + length);
            lost++;
        }
    }
    free(composed);
    if (missing)
        *missing += lost;
    return out;
}

unsigned glyphs_width(enum face face, const char *text, size_t bytes)
{
    const struct font *font = &font_of_face[face];
    unsigned width = 0;

    for (size_t at = 0, taken; at < bytes; at += taken) {
        int w = width_of(font, next_character(text + at, bytes - at, &taken));
        if (w > 0)
            width += (unsigned)w;
    }
    return width;
}

size_t glyphs_fit(enum face face, const char *text, size_t bytes, double width)
{
    const struct font *font = &font_of_face[face];
    double used = 0;
    size_t at = 0;

    for (size_t taken; at < bytes; at += taken) {
        int w = width_of(font, next_character(text + at, bytes - at, &taken));
        used += w > 0 ? w : 0;
        if (used > width)
            break;
    }
    return at;
}

/* A blank within "5 310" or before "%" holds them together. */
static bool holds_together(const char *text, size_t blank)
{
    return text[blank + 1] == '%' ||
           (blank && isdigit((unsigned char)text[blank - 1]) && isdigit((unsigned char)text[blank + 1]));
}

/* Where a line of at most 'fit' bytes is cut; 0: nowhere. */
static size_t last_break(const char *text, size_t fit)
{
    for (size_t i = fit; i > 0; i--)
        if (text[i] == ' ' && !holds_together(text, i))
            return i;
    for (size_t i = fit; i > 1; i--)
        if (strchr("-/,_", text[i - 1]))
            return i;
    return 0;
}

size_t glyphs_line(enum face face, const char *text, double width, size_t *next)
{
    size_t bytes = strlen(text), line = glyphs_fit(face, text, bytes, width);

    if (line < bytes) {
        size_t cut = last_break(text, line), first;
        next_character(text, bytes, &first);
        line = cut ? cut : line ? line : first;
    }
    *next = line + strspn(text + line, " ");
    while (line && text[line - 1] == ' ')
        line--;
    return line;
}
