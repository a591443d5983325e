#include "pdf_inside.h"

#include "base/clock.h"
#include "fonts/fonts.h"
#include "outfile.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

enum { MAX_BYTES = 1 << 30, SCRATCH_BYTES = 1 << 26 };

/* libharu goes on after an error, refusing everything: checked once, at the end. */
static void remember(HPDF_STATUS error, HPDF_STATUS detail, void *data)
{
    struct pdf *pdf = data;
    if (!pdf->failed) {
        pdf->failed = error;
        pdf->failed_detail = detail;
    }
}

/* libharu 2.3.0 reads fonts from named files only: for as long as it reads, the font has a name in /proc. */
static bool load_font(struct pdf *pdf, int face, struct err *err)
{
    const struct font *font = &font_of_face[face];
    char path[32];
    int fd = memfd_create("font", MFD_CLOEXEC);
    const char *name = NULL;

    if (fd >= 0 && write(fd, font->bytes, font->size) == (ssize_t)font->size) {
        snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
        name = HPDF_LoadTTFontFromFile(pdf->doc, path, HPDF_TRUE);
    }
    int why = errno;
    if (fd >= 0)
        close(fd);
    if (name)
        pdf->fonts[face] = HPDF_GetFont(pdf->doc, name, "UTF-8");
    if (!pdf->fonts[face])
        return err_set(err, ERR_SYSTEM, "cannot load the built-in font: %s (libharu %04lx)", strerror(why),
                       (unsigned long)pdf->failed);
    return true;
}

static void set_date(struct pdf *pdf, int64_t us)
{
    char text[TIME_TEXT];
    HPDF_Date date = {.ind = 'Z'};

    time_format(us, text);
    if (sscanf(text, "%d-%d-%dT%d:%d:%d", &date.year, &date.month, &date.day, &date.hour, &date.minutes,
               &date.seconds) == 6)
        HPDF_SetInfoDateAttr(pdf->doc, HPDF_INFO_CREATION_DATE, date);
}

/* The encoder comes first: without it the title is written byte by byte. */
static void set_info(struct pdf *pdf, const struct pdf_info *info)
{
    const struct {
        HPDF_InfoType type;
        const char *text;
    } entries[] = {{HPDF_INFO_TITLE, info->title},
                   {HPDF_INFO_AUTHOR, info->author},
                   {HPDF_INFO_SUBJECT, info->subject},
                   {HPDF_INFO_KEYWORDS, info->keywords},
                   {HPDF_INFO_CREATOR, "Vaneward"}};

    HPDF_SetCurrentEncoder(pdf->doc, "UTF-8");
    for (size_t i = 0; i < sizeof entries / sizeof *entries; i++)
        if (entries[i].text)
            HPDF_SetInfoAttr(pdf->doc, entries[i].type,
                             glyphs_prepare(FACE_REGULAR, entries[i].text, pdf->scratch, NULL));
    set_date(pdf, info->created_us);
}

bool pdf_new(struct pdf **out, enum paper paper, const struct pdf_info *info, struct err *err)
{
    struct arena *mem = arena_new(MAX_BYTES);
    struct pdf *pdf = arena_alloc(mem, sizeof *pdf);

    pdf->mem = mem;
    pdf->scratch = arena_new(SCRATCH_BYTES);
    pdf->current = -1;
    pdf->width = paper == PAPER_A4 ? 595.276 : 612;
    pdf->height = paper == PAPER_A4 ? 841.89 : 792;
    pdf->doc = HPDF_New(remember, pdf);
    if (!pdf->doc) {
        pdf_free(pdf);
        return err_set(err, ERR_SYSTEM, "cannot begin a document: out of memory");
    }
    HPDF_UseUTFEncodings(pdf->doc);
    set_info(pdf, info);
    HPDF_SetCompressionMode(pdf->doc, HPDF_COMP_ALL);
    HPDF_SetPageMode(pdf->doc, HPDF_PAGE_MODE_USE_OUTLINE);
    for (int face = 0; face < FACES; face++)
        if (!load_font(pdf, face, err)) {
            pdf_free(pdf);
            return false;
        }
    *out = pdf;
    return true;
}

void pdf_free(struct pdf *pdf)
{
    if (!pdf)
        return;
    if (pdf->doc)
        HPDF_Free(pdf->doc);
    arena_free(pdf->scratch);
    arena_free(pdf->mem);
}

/* Pages */

static void forget_state(struct pdf *pdf)
{
    const struct colour none = {-1, -1, -1};
    pdf->fill = pdf->stroke = none;
    pdf->line_width = pdf->dash = pdf->size = -1;
    pdf->face = -1;
}

int pdf_page_count(const struct pdf *pdf)
{
    return pdf->page_count;
}

void pdf_page_begin(struct pdf *pdf)
{
    if (pdf->page_count == pdf->page_room) {
        int room = pdf->page_room ? 2 * pdf->page_room : 16;
        pdf->pages =
            arena_grow(pdf->mem, pdf->pages, (size_t)pdf->page_count, (size_t)room, sizeof *pdf->pages);
        pdf->page_room = room;
    }
    HPDF_Page page = HPDF_AddPage(pdf->doc);
    HPDF_Page_SetWidth(page, (HPDF_REAL)pdf->width);
    HPDF_Page_SetHeight(page, (HPDF_REAL)pdf->height);
    pdf->current = pdf->page_count++;
    pdf->pages[pdf->current] = page;
    forget_state(pdf);
}

void pdf_page_select(struct pdf *pdf, int page)
{
    if (page < 0 || page >= pdf->page_count)
        BUG("page %d of %d", page, pdf->page_count);
    pdf->current = page;
    forget_state(pdf);
}

double pdf_width(const struct pdf *pdf)
{
    return pdf->width;
}

double pdf_height(const struct pdf *pdf)
{
    return pdf->height;
}

HPDF_Page pdf_inside_page(const struct pdf *pdf)
{
    if (pdf->current < 0)
        BUG("a mark before the first page");
    return pdf->pages[pdf->current];
}

/* Ways through the document */

void pdf_bookmark(struct pdf *pdf, int level, const char *title)
{
    if (level < 0 || level >= OUTLINE_LEVELS || (level && !pdf->outline[level - 1]))
        BUG("a bookmark of level %d without one above it", level);
    HPDF_Outline outline = HPDF_CreateOutline(pdf->doc, level ? pdf->outline[level - 1] : NULL,
                                              pdf_inside_text(pdf, FACE_REGULAR, title, NULL),
                                              HPDF_GetEncoder(pdf->doc, "UTF-8"));
    HPDF_Destination place = HPDF_Page_CreateDestination(pdf_inside_page(pdf));

    if (!outline || !place)
        return; /* remembered as a failure */
    HPDF_Destination_SetFit(place);
    HPDF_Outline_SetDestination(outline, place);
    HPDF_Outline_SetOpened(outline, level == 0);
    pdf->outline[level] = outline;
    for (int below = level + 1; below < OUTLINE_LEVELS; below++)
        pdf->outline[below] = NULL;
}

int pdf_target(struct pdf *pdf)
{
    if (pdf->target_count == pdf->target_room) {
        int room = pdf->target_room ? 2 * pdf->target_room : 16;
        pdf->targets =
            arena_grow(pdf->mem, pdf->targets, (size_t)pdf->target_count, (size_t)room, sizeof(int));
        pdf->target_room = room;
    }
    pdf->targets[pdf->target_count] = -1;
    return pdf->target_count++;
}

void pdf_target_here(struct pdf *pdf, int target)
{
    pdf->targets[target] = pdf->current;
}

void pdf_link(struct pdf *pdf, double x, double y, double w, double h, int target)
{
    if (!pdf_inside_finite(pdf, (double[]){x, y, w, h}, 4))
        return;
    if (pdf->link_count == pdf->link_room) {
        size_t room = pdf->link_room ? 2 * pdf->link_room : 16;
        pdf->links = arena_grow(pdf->mem, pdf->links, pdf->link_count, room, sizeof *pdf->links);
        pdf->link_room = room;
    }
    const HPDF_Rect place = {pdf_inside_x(x), pdf_inside_y(pdf, y + h), pdf_inside_x(x + w),
                             pdf_inside_y(pdf, y)};
    pdf->links[pdf->link_count++] = (struct link){pdf->current, target, place};
}

void pdf_page_number(struct pdf *pdf, const struct ink *ink, enum align align, double x, double y, int target)
{
    if (pdf->number_count == pdf->number_room) {
        size_t room = pdf->number_room ? 2 * pdf->number_room : 16;
        pdf->numbers = arena_grow(pdf->mem, pdf->numbers, pdf->number_count, room, sizeof *pdf->numbers);
        pdf->number_room = room;
    }
    pdf->numbers[pdf->number_count++] = (struct page_number){pdf->current, target, *ink, align, x, y};
}

static void draw_page_numbers(struct pdf *pdf)
{
    char text[16];

    for (size_t i = 0; i < pdf->number_count; i++) {
        const struct page_number *number = &pdf->numbers[i];
        if (pdf->targets[number->target] < 0)
            continue;
        snprintf(text, sizeof text, "%d", pdf->targets[number->target] + 1);
        pdf_page_select(pdf, number->page);
        pdf_text(pdf, &number->ink, number->align, number->x, number->y, text);
    }
    pdf->number_count = 0;
}

/* A link whose target was never drawn leads nowhere and is left out. */
static void draw_links(struct pdf *pdf)
{
    for (size_t i = 0; i < pdf->link_count; i++) {
        const struct link *link = &pdf->links[i];
        int page = pdf->targets[link->target];
        if (page < 0)
            continue;
        HPDF_Destination place = HPDF_Page_CreateDestination(pdf->pages[page]);
        if (!place)
            return;
        HPDF_Destination_SetFit(place);
        HPDF_Annotation mark = HPDF_Page_CreateLinkAnnot(pdf->pages[link->page], link->place, place);
        if (mark)
            HPDF_LinkAnnot_SetBorderStyle(mark, 0, 0, 0);
    }
    pdf->link_count = 0;
}

size_t pdf_missing_glyphs(const struct pdf *pdf)
{
    return pdf->missing;
}

size_t pdf_lost_marks(const struct pdf *pdf)
{
    return pdf->lost_marks;
}

/* Saving */

/* libharu has been seen to call a cut document good. */
static bool looks_whole(const char *bytes, size_t size)
{
    static const char head[] = "%PDF-", tail[] = "%%EOF";
    while (size && (bytes[size - 1] == '\n' || bytes[size - 1] == '\r'))
        size--;
    return size > sizeof head + sizeof tail && !memcmp(bytes, head, strlen(head)) &&
           !memcmp(bytes + size - strlen(tail), tail, strlen(tail));
}

static bool failure(const struct pdf *pdf, const char *path, struct err *err)
{
    return err_set(err, ERR_OUTPUT, "cannot make '%s': libharu error %04lx, detail %lu", path,
                   (unsigned long)pdf->failed, (unsigned long)pdf->failed_detail);
}

bool pdf_save(struct pdf *pdf, const char *path, struct err *err)
{
    draw_page_numbers(pdf);
    draw_links(pdf);
    if (pdf->failed || HPDF_SaveToStream(pdf->doc) != HPDF_OK)
        return failure(pdf, path, err);

    HPDF_UINT32 size = HPDF_GetStreamSize(pdf->doc);
    char *bytes = malloc(size ? size : 1);
    if (!bytes)
        return err_set(err, ERR_SYSTEM, "cannot make '%s': out of memory", path);
    HPDF_STATUS read = HPDF_ReadFromStream(pdf->doc, (HPDF_BYTE *)bytes, &size);
    bool saved;
    if ((read != HPDF_OK && read != HPDF_STREAM_EOF) || !looks_whole(bytes, size))
        saved = failure(pdf, path, err);
    else
        saved = outfile_write(path, bytes, size, err);
    free(bytes);
    return saved;
}
