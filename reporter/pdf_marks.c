#include "pdf_inside.h"

#include <math.h>
#include <qrencode.h>

/* A sixteenth of a point is finer than print and written in four figures at most. */
HPDF_REAL pdf_inside_x(double x)
{
    return (HPDF_REAL)(round(x * 16) / 16);
}

HPDF_REAL pdf_inside_y(const struct pdf *pdf, double y)
{
    return pdf_inside_x(pdf->height - y);
}

bool pdf_inside_finite(struct pdf *pdf, const double *v, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (!isfinite(v[i])) {
            pdf->lost_marks++;
            return false;
        }
    return true;
}

static bool same_colour(const struct colour *a, const struct colour *b)
{
    return a->red == b->red && a->green == b->green && a->blue == b->blue;
}

void pdf_inside_fill(struct pdf *pdf, double red, double green, double blue)
{
    const struct colour wanted = {red, green, blue};
    if (same_colour(&wanted, &pdf->fill))
        return;
    HPDF_Page_SetRGBFill(pdf_inside_page(pdf), (HPDF_REAL)red, (HPDF_REAL)green, (HPDF_REAL)blue);
    pdf->fill = wanted;
}

static void use_pen(struct pdf *pdf, const struct pen *pen)
{
    const struct colour wanted = {pen->red, pen->green, pen->blue};
    HPDF_Page page = pdf_inside_page(pdf);

    if (!same_colour(&wanted, &pdf->stroke))
        HPDF_Page_SetRGBStroke(page, (HPDF_REAL)pen->red, (HPDF_REAL)pen->green, (HPDF_REAL)pen->blue);
    if (pen->width != pdf->line_width)
        HPDF_Page_SetLineWidth(page, (HPDF_REAL)pen->width);
    if (pen->dash != pdf->dash) {
        const HPDF_UINT16 dash[] = {(HPDF_UINT16)(pen->dash > 1 ? lround(pen->dash) : 1)};
        HPDF_Page_SetDash(page, pen->dash > 0 ? dash : NULL, pen->dash > 0, 0);
    }
    pdf->stroke = wanted;
    pdf->line_width = pen->width;
    pdf->dash = pen->dash;
}

void pdf_line(struct pdf *pdf, const struct pen *pen, double x0, double y0, double x1, double y1)
{
    if (!pdf_inside_finite(pdf, (double[]){x0, y0, x1, y1}, 4))
        return;
    use_pen(pdf, pen);
    HPDF_Page_MoveTo(pdf_inside_page(pdf), pdf_inside_x(x0), pdf_inside_y(pdf, y0));
    HPDF_Page_LineTo(pdf_inside_page(pdf), pdf_inside_x(x1), pdf_inside_y(pdf, y1));
    HPDF_Page_Stroke(pdf_inside_page(pdf));
}

void pdf_path(struct pdf *pdf, const struct pen *pen, const double *x, const double *y, size_t n)
{
    HPDF_Page page = pdf_inside_page(pdf);
    bool down = false, any = false;

    for (size_t i = 0; i < n; i++)
        if (isinf(x[i]) || isinf(y[i])) {
            pdf->lost_marks++;
            return;
        }
    use_pen(pdf, pen);
    for (size_t i = 0; i < n; i++) {
        bool known = !isnan(x[i]) && !isnan(y[i]);
        if (known && down)
            HPDF_Page_LineTo(page, pdf_inside_x(x[i]), pdf_inside_y(pdf, y[i]));
        else if (known && i + 1 < n && !isnan(x[i + 1]) && !isnan(y[i + 1]))
            HPDF_Page_MoveTo(page, pdf_inside_x(x[i]), pdf_inside_y(pdf, y[i]));
        any = any || (known && down);
        down = known;
    }
    if (any)
        HPDF_Page_Stroke(page);
}

void pdf_area(struct pdf *pdf, const struct pen *fill, const double *x, const double *y, size_t n)
{
    HPDF_Page page = pdf_inside_page(pdf);

    if (n < 3 || !pdf_inside_finite(pdf, x, n) || !pdf_inside_finite(pdf, y, n))
        return;
    pdf_inside_fill(pdf, fill->red, fill->green, fill->blue);
    HPDF_Page_MoveTo(page, pdf_inside_x(x[0]), pdf_inside_y(pdf, y[0]));
    for (size_t i = 1; i < n; i++)
        HPDF_Page_LineTo(page, pdf_inside_x(x[i]), pdf_inside_y(pdf, y[i]));
    HPDF_Page_ClosePath(page);
    HPDF_Page_Fill(page);
}

static void paint(struct pdf *pdf, bool fill, bool edge)
{
    if (fill && edge)
        HPDF_Page_FillStroke(pdf_inside_page(pdf));
    else if (fill)
        HPDF_Page_Fill(pdf_inside_page(pdf));
    else if (edge)
        HPDF_Page_Stroke(pdf_inside_page(pdf));
    else
        HPDF_Page_EndPath(pdf_inside_page(pdf));
}

void pdf_box(struct pdf *pdf, const struct pen *fill, const struct pen *edge, double x, double y, double w,
             double h)
{
    if (!pdf_inside_finite(pdf, (double[]){x, y, w, h}, 4))
        return;
    if (fill)
        pdf_inside_fill(pdf, fill->red, fill->green, fill->blue);
    if (edge)
        use_pen(pdf, edge);
    HPDF_Page_Rectangle(pdf_inside_page(pdf), pdf_inside_x(x), pdf_inside_y(pdf, y + h), pdf_inside_x(w),
                        pdf_inside_x(h));
    paint(pdf, fill, edge);
}

void pdf_circle(struct pdf *pdf, const struct pen *fill, const struct pen *edge, double x, double y,
                double radius)
{
    if (!pdf_inside_finite(pdf, (double[]){x, y, radius}, 3))
        return;
    if (fill)
        pdf_inside_fill(pdf, fill->red, fill->green, fill->blue);
    if (edge)
        use_pen(pdf, edge);
    HPDF_Page_Circle(pdf_inside_page(pdf), pdf_inside_x(x), pdf_inside_y(pdf, y), pdf_inside_x(radius));
    paint(pdf, fill, edge);
}

void pdf_code(struct pdf *pdf, double x, double y, double size, const char *content)
{
    enum { QUIET = 4 };
    HPDF_Page page = pdf_inside_page(pdf);
    QRcode *code = pdf_inside_finite(pdf, (double[]){x, y, size}, 3)
                       ? QRcode_encodeString8bit(content, 0, QR_ECLEVEL_M)
                       : NULL;

    if (!code) {
        pdf->lost_marks++;
        return;
    }
    double module = size / (code->width + 2 * QUIET);
    pdf_inside_fill(pdf, 0, 0, 0);
    for (int row = 0; row < code->width; row++) {
        const unsigned char *dots = code->data + row * code->width;
        for (int from = 0, to; from < code->width; from = to) {
            for (to = from + 1; to < code->width && (dots[to] & 1) == (dots[from] & 1);)
                to++;
            if (dots[from] & 1)
                HPDF_Page_Rectangle(page, (HPDF_REAL)(x + (QUIET + from) * module),
                                    (HPDF_REAL)(pdf->height - y - (QUIET + row + 1) * module),
                                    (HPDF_REAL)((to - from) * module), (HPDF_REAL)module);
        }
    }
    HPDF_Page_Fill(page);
    QRcode_free(code);
}
