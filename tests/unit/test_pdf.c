#include "pdf.h"

#include "base/clock.h"
#include "fonts/fonts.h"
#include "numeric.h"
#include "rendered.h"

#include <dirent.h>
#include <math.h>
#include <signal.h>
#include <sys/resource.h>
#include <unistd.h>
#include <utf8proc.h>

#define COUNT(a) (sizeof(a) / sizeof *(a))

static struct arena *mem;
static char dir[64];
static const struct ink body = {FACE_REGULAR, 10, 0, 0, 0};
static const struct pen black = {0, 0, 0, 1, 0};

static void setup(void)
{
    mem = arena_new(1 << 30);
    strcpy(dir, "/tmp/vaneward-pdf-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
}

static void teardown(void)
{
    output_of(mem, arena_printf(mem, "rm -rf '%s'", dir));
    arena_free(mem);
}

static const char *in_dir(const char *name)
{
    return arena_printf(mem, "%s/%s", dir, name);
}

static struct pdf *begin(void)
{
    const struct pdf_info info = {.title = "Lüfter – Ω № 7",
                                  .author = "Vaneward",
                                  .subject = "Вентилятор",
                                  .created_us = INT64_C(1795624800000000)};
    struct err err = {0};
    struct pdf *pdf;

    ck_assert_msg(pdf_new(&pdf, PAPER_A4, &info, &err), "%s", err.text);
    pdf_page_begin(pdf);
    return pdf;
}

static const char *save(struct pdf *pdf, const char *name)
{
    struct err err = {0};
    const char *path = in_dir(name);

    ck_assert_msg(pdf_save(pdf, path, &err), "%s", err.text);
    pdf_free(pdf);
    return path;
}

static const char *text_of(const char *path)
{
    return output_of(mem, arena_printf(mem, "pdftotext -layout '%s' - 2>/dev/null", path));
}

/* Glyphs: what the document shows against what FreeType makes of the original font, through ImageMagick */

enum { CELL = 30, ACROSS = 17, DOWN = 24, PER_PAGE = ACROSS * DOWN, SCALE = 2, TYPE_SIZE = 15, DEPTHS = 3 };

static const char *utf8(uint32_t character)
{
    char *text = arena_alloc(mem, 5);
    utf8proc_encode_char((utf8proc_int32_t)character, (utf8proc_uint8_t *)text);
    return text;
}

/* As it is drawn: an accent without a letter has no width, and libharu writes no text of width 0. */
static const char *sample_of(uint32_t character)
{
    bool accent = utf8proc_category((utf8proc_int32_t)character) == UTF8PROC_CATEGORY_MN;
    return arena_printf(mem, "%s%s", accent ? "\u00A0" : "", utf8(character));
}

/* How many accents a character carries, two at most. */
static int depth_of(uint32_t character)
{
    utf8proc_int32_t parts[8];
    utf8proc_ssize_t n =
        utf8proc_decompose_char((utf8proc_int32_t)character, parts, COUNT(parts), UTF8PROC_DECOMPOSE, NULL);
    return n <= 1 ? 0 : n == 2 ? 1 : 2;
}

/* Composed before printing: what is drawn is another character, alike by definition. */
static bool is_printed_as_itself(uint32_t character)
{
    char *composed = (char *)utf8proc_NFC((const utf8proc_uint8_t *)utf8(character));
    bool same = strcmp(composed, utf8(character)) == 0;
    free(composed);
    return same;
}

/*
 * Characters of one depth: a glyph that libharu robs of its parts looks whole in a document that uses the
 * parts as well, so accented letters must not stand beside the plain ones.
 */
static size_t characters_of(const struct font *font, int depth, uint32_t **out)
{
    size_t count = 0;

    *out = arena_array(mem, uint32_t, 0x10000);
    for (size_t r = 0; r < font->run_count; r++)
        for (uint32_t c = font->runs[r].first; c <= font->runs[r].last; c++)
            if (depth_of(c) == depth && is_printed_as_itself(c))
                (*out)[count++] = c;
    return count;
}

static void cell_place(size_t i, double *x, double *y)
{
    *x = 40 + (double)(i % PER_PAGE % ACROSS) * CELL;
    *y = 60 + (double)(i % PER_PAGE / ACROSS) * CELL;
}

static const char *draw_glyphs(enum face face, const uint32_t *characters, size_t count)
{
    const struct ink ink = {face, TYPE_SIZE, 0, 0, 0};
    struct pdf *pdf = begin();
    double x, y;

    for (size_t i = 0; i < count; i++) {
        if (i && i % PER_PAGE == 0)
            pdf_page_begin(pdf);
        cell_place(i, &x, &y);
        pdf_text(pdf, &ink, ALIGN_LEFT, x, y, sample_of(characters[i]));
    }
    ck_assert_uint_eq(pdf_missing_glyphs(pdf), 0);
    return save(pdf, "glyphs.pdf");
}

static struct image draw_original(const char *font, const uint32_t *characters, size_t from, size_t to)
{
    const char *path = in_dir("original");
    FILE *file = fopen(arena_printf(mem, "%s.mvg", path), "w");
    double x, y;

    ck_assert_ptr_nonnull(file);
    fprintf(file, "viewbox 0 0 1191 1684\npush graphic-context\nfont '%s'\nfont-size %d\nfill black\n", font,
            TYPE_SIZE * SCALE);
    for (size_t i = from; i < to; i++) {
        const char *text = sample_of(characters[i]);
        cell_place(i, &x, &y);
        fprintf(file, "text %.0f,%.0f \"%s%s\"\n", x * SCALE, y * SCALE, strchr("\"\\", *text) ? "\\" : "",
                text);
    }
    fputs("pop graphic-context\n", file);
    fclose(file);
    output_of(mem,
              arena_printf(mem, "convert -size 1191x1684 'mvg:%s.mvg' -colorspace gray -depth 8 'pgm:%s.pgm'",
                           path, path));
    return image_read(mem, arena_printf(mem, "%s.pgm", path));
}

enum { DARK = 100, LIGHT = 200, CELL_DOTS = CELL * SCALE };

static void cell_corner(size_t cell, int *x, int *y)
{
    double left, base;
    cell_place(cell, &left, &base);
    *x = (int)(left * SCALE) - 18;
    *y = (int)(base * SCALE) - 36;
}

/* Dark dots of one picture with nothing dark within a dot of them in the other. */
static int unmatched(const struct image *a, const struct image *b, size_t cell)
{
    int x0, y0, lost = 0;

    cell_corner(cell, &x0, &y0);
    for (int y = y0; y < y0 + CELL_DOTS; y++)
        for (int x = x0; x < x0 + CELL_DOTS; x++) {
            bool found = dot(a, x, y, 0) >= DARK;
            for (int dy = -1; dy <= 1 && !found; dy++)
                for (int dx = -1; dx <= 1 && !found; dx++)
                    found = dot(b, x + dx, y + dy, 0) < LIGHT;
            lost += !found;
        }
    return lost;
}

static bool looks_alike(const struct image *ours, const struct image *original, size_t cell)
{
    enum { MAY_DIFFER = 3 };
    return unmatched(ours, original, cell) <= MAY_DIFFER && unmatched(original, ours, cell) <= MAY_DIFFER;
}

START_TEST(every_glyph_looks_as_in_the_original_font)
{
    static const char *const originals[] = {"/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
                                            "/usr/share/fonts/truetype/dejavu/DejaVuSans-Bold.ttf"};
    static const size_t least[DEPTHS] = {500, 200, 60};
    int face = _i / DEPTHS, depth = _i % DEPTHS;
    uint32_t *characters;
    size_t count = characters_of(&font_of_face[face], depth, &characters), wrong = 0;
    const char *path = draw_glyphs((enum face)face, characters, count), *which = "";

    ck_assert_uint_gt(count, least[depth]);
    for (size_t from = 0; from < count; from += PER_PAGE) {
        size_t to = from + PER_PAGE < count ? from + PER_PAGE : count;
        struct image ours = page_image(mem, path, (int)(from / PER_PAGE) + 1, 72 * SCALE, "-gray");
        struct image original = draw_original(originals[face], characters, from, to);
        for (size_t i = from; i < to; i++)
            if (!looks_alike(&ours, &original, i)) {
                which = arena_printf(mem, "%s U+%04X", which, characters[i]);
                wrong++;
            }
    }
    printf("face %d, %d accents: %zu glyphs compared, %zu differ\n", face, depth, count, wrong);
    ck_assert_msg(wrong == 0, "%zu of %zu glyphs differ:%s", wrong, count, which);
}
END_TEST

/* Text */

START_TEST(names_in_several_scripts_can_be_read_back)
{
    static const char *const names[] = {"Größe Łódź", "Завод Ёлка Її ў", "Αθήνα ΐ", "Đà Nẵng ấ ế",
                                        "≥ 95 % → №"};
    struct pdf *pdf = begin();

    for (size_t i = 0; i < COUNT(names); i++)
        pdf_text(pdf, &body, ALIGN_LEFT, 50, 80 + 20.0 * (double)i, names[i]);
    const char *path = save(pdf, "names.pdf");
    ck_undamaged(mem, path);
    ck_fonts_embedded(mem, path);
    for (size_t i = 0; i < COUNT(names); i++)
        ck_assert_msg(strstr(text_of(path), names[i]), "'%s' is lost", names[i]);
    const char *info = output_of(mem, arena_printf(mem, "pdfinfo '%s' 2>/dev/null", path));
    ck_assert_ptr_nonnull(strstr(info, "Lüfter – Ω № 7"));
    ck_assert_ptr_nonnull(strstr(info, "Вентилятор"));
    ck_assert_ptr_nonnull(
        strstr(output_of(mem, arena_printf(mem, "pdfinfo -isodates '%s' 2>/dev/null", path)),
               "CreationDate:    2026-11-25T16:40:00"));
}
END_TEST

static const struct {
    const char *name, *text, *printed;
    size_t missing;
} prepared[] = {
    {"plain text stays", "Fan 1", "Fan 1", 0},
    {"an accent joins its letter", "Lu\u0308fter", "Lüfter", 0},
    {"signs outside the font", "A\U0001F527B 风扇", "A\uFFFDB \uFFFD\uFFFD", 3},
    {"bytes that are no UTF-8", "bad \xff\xfe\xc3 end", "bad \uFFFD\uFFFD\uFFFD end", 3},
    {"a character cut at the end", "cut \xe2\x82", "cut \uFFFD\uFFFD", 2},
    {"line ends and tabs are blanks", "a\nb\tc\u2028d", "a b c d", 0},
    {"direction marks are left out", "\u202Eabc\u200B\u2066\uFEFF", "abc", 0},
    {"a soft hyphen is left out", "Lüf\u00ADter", "Lüfter", 0},
};

START_TEST(text_is_made_printable)
{
    size_t missing = 0;
    const char *printed = glyphs_prepare(FACE_REGULAR, prepared[_i].text, mem, &missing);

    ck_assert_msg(strcmp(printed, prepared[_i].printed) == 0, "%s: '%s'", prepared[_i].name, printed);
    ck_assert_msg(missing == prepared[_i].missing, "%s: %zu missing", prepared[_i].name, missing);
}
END_TEST

START_TEST(missing_glyphs_are_counted_once_and_leave_a_sign)
{
    struct pdf *pdf = begin();

    pdf_text_width(pdf, &body, "风");
    ck_assert_uint_eq(pdf_missing_glyphs(pdf), 0);
    pdf_text(pdf, &body, ALIGN_LEFT, 50, 50, "风扇 ok \xff");
    ck_assert_uint_eq(pdf_missing_glyphs(pdf), 3);
    const char *path = save(pdf, "missing.pdf");
    ck_undamaged(mem, path);
    ck_assert_ptr_nonnull(strstr(text_of(path), "\uFFFD\uFFFD ok \uFFFD"));
}
END_TEST

START_TEST(very_long_text_is_cut_and_does_no_harm)
{
    const struct ink tiny = {FACE_REGULAR, 0.5, 0, 0, 0}; /* so that all of it is on the page */
    struct pdf *pdf = begin();
    char *text = arena_alloc(mem, 70003);

    memset(text, 'a', 70000);
    memcpy(text + 999, "ü", 2); /* a character across the place of the cut */
    pdf_text(pdf, &tiny, ALIGN_LEFT, 50, 50, text);
    pdf_text(pdf, &body, ALIGN_LEFT, 50, 80, "after");
    const char *path = save(pdf, "long.pdf");
    ck_undamaged(mem, path);
    const char *read = output_of(mem, arena_printf(mem, "pdftotext -raw -nopgbrk '%s' - 2>/dev/null", path));
    ck_assert_uint_eq(strspn(read, "a"), 999);
    ck_assert_ptr_nonnull(strstr(read, "after"));
}
END_TEST

START_TEST(characters_that_mean_something_to_pdf_are_only_text)
{
    struct pdf *pdf = begin();
    pdf_text(pdf, &body, ALIGN_LEFT, 50, 50, ") Tj ET (\\ %PDF <</JS>>");
    const char *path = save(pdf, "marks.pdf");
    ck_undamaged(mem, path);
    ck_assert_ptr_nonnull(strstr(text_of(path), ") Tj ET (\\ %PDF <</JS>>"));
}
END_TEST

static const struct {
    const char *name, *text;
    double width; /* in thousandths; a figure is 636 wide, a blank 317 */
    const char *lines;
} wraps[] = {
    {"all on one line", "11 22", 3000, "11 22|"},
    {"cut at a blank", "11 22 33", 3000, "11 22|33|"},
    {"blanks at a cut vanish", "1111    2222", 3000, "1111|2222|"},
    {"after a hyphen", "aaaa-bbbb", 3500, "aaaa-|bbbb|"},
    {"within a word that is too long", "123456789", 2000, "123|456|789|"},
    {"one character at least", "123", 10, "1|2|3|"},
    {"figures of one number stay together", "aa 5 310", 3000, "aa|5 310|"},
    {"a sign stays with its number", "aaaa 86 % b", 3700, "aaaa|86 % b|"},
};

START_TEST(lines_are_broken_where_a_reader_would)
{
    const char *text = glyphs_prepare(FACE_REGULAR, wraps[_i].text, mem, NULL);
    const char *lines = "";

    for (size_t line, next; *text; text += next) {
        line = glyphs_line(FACE_REGULAR, text, wraps[_i].width, &next);
        lines = arena_printf(mem, "%s%.*s|", lines, (int)line, text);
    }
    ck_assert_msg(strcmp(lines, wraps[_i].lines) == 0, "%s: %s", wraps[_i].name, lines);
}
END_TEST

START_TEST(a_paragraph_keeps_to_its_lines)
{
    struct pdf *pdf = begin();
    const struct block block = {&body, ALIGN_LEFT, 50, 100, 80, 12, 2};
    const char *text = "one two three four five six seven eight nine ten eleven";

    ck_assert_double_eq_tol(pdf_paragraph(pdf, &block, text, false), 124, 1e-9);
    ck_assert_double_eq_tol(pdf_paragraph(pdf, &block, text, true), 124, 1e-9);
    pdf_text_fit(pdf, &body, ALIGN_RIGHT, 545, 300, 60, "a name that is too long for its place");
    const char *path = save(pdf, "paragraph.pdf");
    const char *read = output_of(mem, arena_printf(mem, "pdftotext -bbox '%s' - 2>/dev/null", path));
    ck_assert_int_eq(occurrences(read, "…"), 2);
    for (const char *word = read; (word = strstr(word, "xMax=\"")) != NULL; word += 6) {
        double right = atof(word + 6);
        ck_assert_msg(right <= 130.01 || (right > 480 && right <= 545.01), "a word ends at %g", right);
    }
}
END_TEST

/* Marks */

START_TEST(marks_without_a_place_are_left_out_and_counted)
{
    struct pdf *pdf = begin();
    const double x[] = {50, D_NAN, 60, 70, 80}, y[] = {50, 50, 50, 60, 50}, far[] = {1, D_INF, 3};

    pdf_line(pdf, &black, D_NAN, 10, 20, 20);
    pdf_line(pdf, &black, 10, 10, D_INF, 20);
    pdf_box(pdf, &black, NULL, 10, -D_INF, 5, 5);
    pdf_circle(pdf, &black, NULL, 10, 10, D_NAN);
    pdf_area(pdf, &black, x, y, COUNT(x));
    pdf_text(pdf, &body, ALIGN_LEFT, D_NAN, 10, "lost");
    pdf_path(pdf, &black, far, y, COUNT(far));
    ck_assert_uint_eq(pdf_lost_marks(pdf), 7);
    pdf_path(pdf, &black, x, y, COUNT(x)); /* there NAN lifts the pen */
    ck_assert_uint_eq(pdf_lost_marks(pdf), 7);
    const char *path = save(pdf, "marks.pdf");
    ck_undamaged(mem, path);
    const char *stream =
        output_of(mem, arena_printf(mem,
                                    "qpdf --qdf '%s' - | LC_ALL=C sed -n '/^stream/,/^endstream/p'"
                                    " | LC_ALL=C grep -a ' [ml]$'",
                                    path));
    ck_assert_str_eq(stream, "60 791.875 m\n70 781.875 l\n80 791.875 l\n");
}
END_TEST

START_TEST(a_code_can_be_read_from_the_page)
{
    struct pdf *pdf = begin();
    pdf_code(pdf, 100, 100, 66, "NORD-M01-D1-internal-2-20261125");
    const char *path = save(pdf, "code.pdf");
    page_image(mem, path, 1, 150, "-gray");
    const char *read = output_of(mem, arena_printf(mem, "zbarimg -q --raw '%s.page.pgm' 2>/dev/null", path));
    ck_assert_str_eq(read, "NORD-M01-D1-internal-2-20261125\n");
}
END_TEST

/* The document */

static struct pdf *sample(void)
{
    struct pdf *pdf = begin();
    int target = pdf_target(pdf), nowhere = pdf_target(pdf);

    pdf_bookmark(pdf, 0, "Werk Nordhöhe");
    pdf_text(pdf, &body, ALIGN_LEFT, 50, 50, "see page");
    pdf_page_number(pdf, &body, ALIGN_LEFT, 100, 50, target);
    pdf_link(pdf, 50, 40, 60, 14, target);
    pdf_link(pdf, 50, 80, 60, 14, nowhere);
    for (int page = 2; page <= 4; page++) {
        pdf_page_begin(pdf);
        pdf_bookmark(pdf, 1, arena_printf(mem, "Machine %d", page));
        pdf_text(pdf, &body, ALIGN_LEFT, 50, 50, arena_printf(mem, "machine %d", page));
        if (page == 3)
            pdf_target_here(pdf, target);
    }
    pdf_page_select(pdf, 0);
    pdf_text(pdf, &body, ALIGN_LEFT, 50, 700, "written last");
    return pdf;
}

START_TEST(bookmarks_links_and_page_numbers_lead_to_pages_drawn_later)
{
    const char *path = save(sample(), "ways.pdf");
    const char *text = text_of(path);
    const char *objects =
        output_of(mem, arena_printf(mem,
                                    "qpdf --qdf --object-streams=disable '%s' - | LC_ALL=C tr -d "
                                    "'\\000'",
                                    path));
    ck_undamaged(mem, path);
    ck_assert_int_eq(occurrences(objects, "/Subtype /Link"), 1);
    ck_assert_int_eq(occurrences(objects, "/Parent") - occurrences(objects, "/Type /Page\n"), 4);
    ck_assert_ptr_nonnull(strstr(text, "see page 3"));
    ck_assert(strstr(text, "written last") < strstr(text, "machine 2"));
}
END_TEST

START_TEST(the_same_calls_give_the_same_bytes)
{
    const char *first = save(sample(), "first.pdf");
    sleep(1); /* a date of now would show */
    const char *second = save(sample(), "second.pdf");
    output_of(mem, arena_printf(mem, "cmp '%s' '%s'", first, second));
}
END_TEST

START_TEST(a_page_of_text_stays_small)
{
    const struct ink bold = {FACE_BOLD, 10, 0, 0, 0};
    struct pdf *pdf = begin();
    for (int i = 0; i < 60; i++)
        pdf_text(pdf, i % 3 ? &body : &bold, ALIGN_LEFT, 50, 50 + 12 * i,
                 "Drive M01-D1 runs at 5310 rev/min; see its sheet. Größe №");
    const char *path = save(pdf, "small.pdf");
    long size = atol(output_of(mem, arena_printf(mem, "stat -c %%s '%s'", path)));
    printf("one page with 60 lines: %ld bytes\n", size);
    ck_assert_int_lt(size, 40000);
}
END_TEST

static int files_in_dir(void)
{
    DIR *d = opendir(dir);
    int count = 0;

    for (struct dirent *e; (e = readdir(d)) != NULL;)
        count += e->d_name[0] != '.' || strlen(e->d_name) > 2;
    closedir(d);
    return count;
}

/* A limit on file size stops writing as a full disk does, at any byte, and needs no rights. */
START_TEST(a_disk_that_fills_leaves_the_old_file)
{
    const struct rlimit before = {RLIM_INFINITY, RLIM_INFINITY};
    const char *path = in_dir("pack.pdf");
    long whole = atol(output_of(mem, arena_printf(mem, "stat -c %%s '%s'", save(sample(), "pack.pdf"))));

    output_of(mem, arena_printf(mem, "echo old > '%s'", path));
    signal(SIGXFSZ, SIG_IGN);
    for (long limit = 0; limit < whole; limit += 4096) {
        const struct rlimit full = {(rlim_t)limit, RLIM_INFINITY};
        struct err err = {0};
        struct pdf *pdf = sample();
        ck_assert_int_eq(setrlimit(RLIMIT_FSIZE, &full), 0);
        bool saved = pdf_save(pdf, path, &err);
        ck_assert_int_eq(setrlimit(RLIMIT_FSIZE, &before), 0);
        pdf_free(pdf);
        ck_assert_msg(!saved && err.kind == ERR_OUTPUT, "limit %ld: saved", limit);
        ck_assert_str_eq(output_of(mem, arena_printf(mem, "cat '%s'", path)), "old\n");
        ck_assert_int_eq(files_in_dir(), 1);
    }
    save(sample(), "pack.pdf");
    ck_undamaged(mem, path);
}
END_TEST

START_TEST(a_directory_that_is_not_there_is_named)
{
    struct err err = {0};
    struct pdf *pdf = sample();
    ck_assert(!pdf_save(pdf, "/nonexistent/pack.pdf", &err));
    pdf_free(pdf);
    ck_assert_int_eq(err.kind, ERR_OUTPUT);
    ck_assert_ptr_nonnull(strstr(err.text, "/nonexistent/pack.pdf"));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("pdf");
    TCase *cases = tcase_create("pdf");

    tcase_set_timeout(cases, 100);
    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_loop_test(cases, every_glyph_looks_as_in_the_original_font, 0, 2 * DEPTHS);
    tcase_add_test(cases, names_in_several_scripts_can_be_read_back);
    tcase_add_loop_test(cases, text_is_made_printable, 0, COUNT(prepared));
    tcase_add_test(cases, missing_glyphs_are_counted_once_and_leave_a_sign);
    tcase_add_test(cases, very_long_text_is_cut_and_does_no_harm);
    tcase_add_test(cases, characters_that_mean_something_to_pdf_are_only_text);
    tcase_add_loop_test(cases, lines_are_broken_where_a_reader_would, 0, COUNT(wraps));
    tcase_add_test(cases, a_paragraph_keeps_to_its_lines);
    tcase_add_test(cases, marks_without_a_place_are_left_out_and_counted);
    tcase_add_test(cases, a_code_can_be_read_from_the_page);
    tcase_add_test(cases, bookmarks_links_and_page_numbers_lead_to_pages_drawn_later);
    tcase_add_test(cases, the_same_calls_give_the_same_bytes);
    tcase_add_test(cases, a_page_of_text_stays_small);
    tcase_add_test(cases, a_disk_that_fills_leaves_the_old_file);
    tcase_add_test(cases, a_directory_that_is_not_there_is_named);
    suite_add_tcase(suite, cases);

    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
