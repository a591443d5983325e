/*
 * Documents read back by other programs: poppler, qpdf, ImageMagick, zbar. A tool that is missing fails the
 * test that wanted it.
 */
#ifndef TESTS_RENDERED_H
#define TESTS_RENDERED_H

#include "base/arena.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>

/* What a command writes to standard output; a status other than 0 fails the test. */
static inline char *output_of(struct arena *mem, const char *command)
{
    size_t room = 1 << 16, size = 0;
    char *text = arena_alloc(mem, room);
    FILE *pipe = popen(command, "r");

    ck_assert_ptr_nonnull(pipe);
    for (size_t n; (n = fread(text + size, 1, room - size - 1, pipe)) > 0;) {
        size += n;
        if (room - size < 2) {
            text = arena_grow(mem, text, size, 2 * room, 1);
            room *= 2;
        }
    }
    text[size] = '\0';
    int status = pclose(pipe);
    ck_assert_msg(WIFEXITED(status) && WEXITSTATUS(status) == 0, "'%s' failed", command);
    return text;
}

static inline int occurrences(const char *text, const char *what)
{
    int count = 0;
    for (; (text = strstr(text, what)) != NULL; text += strlen(what))
        count++;
    return count;
}

static inline void ck_undamaged(struct arena *mem, const char *path)
{
    output_of(mem, arena_printf(mem, "qpdf --check '%s' 2>&1", path));
}

/* Every font of the document stands in it, as a subset. */
static inline void ck_fonts_embedded(struct arena *mem, const char *path)
{
    char *fonts = output_of(mem, arena_printf(mem, "pdffonts '%s' 2>/dev/null | tail -n +3", path));
    int lines = occurrences(fonts, "\n");
    ck_assert_int_gt(lines, 0);
    ck_assert_int_eq(occurrences(fonts, " yes yes yes "), lines);
}

/* A word's box on its page, in points from the top left, cut to the height of small letters. */
struct word {
    int page;
    double left, top, right, bottom;
    char text[40];
};

/* All words of a document; width and height of its pages in *page (may be NULL). */
static inline size_t words_of(struct arena *mem, const char *path, struct word **words, double page[2])
{
    const char *text = output_of(mem, arena_printf(mem, "pdftotext -bbox '%s' - 2>/dev/null", path));
    size_t count = 0;
    int number = 0;

    *words = arena_array(mem, struct word, (size_t)occurrences(text, "<word ") + 1);
    for (const char *line = text; line; line = (line = strchr(line, '\n')) ? line + 1 : NULL) {
        struct word *w = &(*words)[count];
        char row[400]; /* apart: sscanf measures its whole text first */
        size_t length = strcspn(line, "\n");
        length = length < sizeof row ? length : sizeof row - 1;
        memcpy(row, line, length);
        row[length] = '\0';
        double width, height;
        if (sscanf(row, " <page width=\"%lf\" height=\"%lf\"", &width, &height) == 2) {
            number++;
            if (page) {
                page[0] = width;
                page[1] = height;
            }
        } else if (sscanf(row, " <word xMin=\"%lf\" yMin=\"%lf\" xMax=\"%lf\" yMax=\"%lf\">%39[^<]", &w->left,
                          &w->top, &w->right, &w->bottom, w->text) == 5) {
            double height_of_box = w->bottom - w->top;
            w->page = number;
            w->top += height_of_box * 0.3;
            w->bottom -= height_of_box * 0.25;
            count++;
        }
    }
    return count;
}

/* No word stands on another. */
static inline void ck_words_apart(struct arena *mem, const char *path)
{
    struct word *w;
    size_t count = words_of(mem, path, &w, NULL);

    for (size_t i = 0; i < count; i++)
        for (size_t k = i + 1; k < count && w[k].page == w[i].page; k++) {
            bool apart = w[i].right < w[k].left + 0.3 || w[k].right < w[i].left + 0.3 ||
                         w[i].bottom < w[k].top + 0.3 || w[k].bottom < w[i].top + 0.3;
            if (!apart) /* check notes every assertion in a file: too slow for each pair */
                ck_abort_msg("page %d: '%s' at %.0f,%.0f stands on '%s' at %.0f,%.0f", w[i].page, w[i].text,
                             w[i].left, w[i].top, w[k].text, w[k].left, w[k].top);
        }
}

struct image {
    int width, height, channels;
    unsigned char *dots;
};

static inline int dot(const struct image *image, int x, int y, int channel)
{
    return image->dots[(y * image->width + x) * image->channels + channel];
}

/* A PGM or PPM file with 8 bits. */
static inline struct image image_read(struct arena *mem, const char *path)
{
    struct image image = {0};
    char kind;
    int most;
    FILE *file = fopen(path, "rb");

    ck_assert_msg(file, "no picture '%s'", path);
    ck_assert_int_eq(fscanf(file, "P%c %d %d %d", &kind, &image.width, &image.height, &most), 4);
    ck_assert_int_eq(most, 255);
    image.channels = kind == '6' ? 3 : 1;
    fgetc(file);
    size_t bytes = (size_t)(image.width * image.height * image.channels);
    image.dots = arena_alloc(mem, bytes);
    ck_assert_uint_eq(fread(image.dots, 1, bytes, file), bytes);
    fclose(file);
    return image;
}

/* A page (from 1) as poppler draws it; option "-gray" or "". */
static inline struct image page_image(struct arena *mem, const char *path, int page, int dpi,
                                      const char *option)
{
    output_of(mem, arena_printf(mem, "pdftoppm -singlefile %s -r %d -f %d '%s' '%s.page' 2>/dev/null", option,
                                dpi, page, path, path));
    return image_read(mem, arena_printf(mem, "%s.page.%s", path, *option ? "pgm" : "ppm"));
}

#endif
