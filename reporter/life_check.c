#include "life_check.h"

#include "numeric.h"

/* Hazard up to an age and its slope along log shape. */
struct hazard {
    double sum, by_shape;
};

static void add_hazard(const struct life_model *m, double age, double w, struct hazard *h)
{
    double z = age > 0 ? m->shape * log(age / m->scale) : -D_INF;
    double x = w * exp(z);
    h->sum += x;
    h->by_shape += x > 0 || x < 0 ? x * z : 0;
}

/* Hazard of some of the lives up to an age: enough of them to place the ends of spans. */
static double hazard_by(const struct lifetime *lives, size_t count, const struct life_model *m, double age)
{
    enum { ENOUGH = 2000 };
    struct hazard h = {0, 0};
    for (size_t i = 0; i < count; i += 1 + count / ENOUGH) {
        double to = fmin(age, lives[i].exit);
        if (to > lives[i].entry) {
            add_hazard(m, to, lives[i].count, &h);
            add_hazard(m, lives[i].entry, -lives[i].count, &h);
        }
    }
    return h.sum;
}

/* Ends of spans with about as much hazard in each, five failures' at least; were they placed by the failures
 * themselves, chance would be taken for a misfit. The last span has no end. */
static void set_spans(const struct lifetime *lives, size_t count, const struct life_model *m,
                      struct life_check *c)
{
    double all = hazard_by(lives, count, m, D_INF);
    size_t most = (size_t)(c->hazard / 5);

    c->spans = most > LIFE_CHECK_SPANS ? LIFE_CHECK_SPANS : most;
    for (size_t k = 0; k + 1 < c->spans; k++) {
        double low = log(m->scale) - 40, high = log(m->scale) + 5;
        for (int i = 0; i < 40; i++) {
            double middle = (low + high) / 2;
            if (hazard_by(lives, count, m, exp(middle)) < all * (double)(k + 1) / (double)c->spans)
                low = middle;
            else
                high = middle;
        }
        c->end[k] = exp(high);
    }
    c->end[c->spans - 1] = D_INF;
}

static void add_life(const struct lifetime *life, const struct life_model *m, struct life_check *c,
                     struct hazard *spans)
{
    double begin = 0;
    for (size_t k = 0; k < c->spans; begin = c->end[k++]) {
        double from = fmax(begin, life->entry), to = fmin(c->end[k], life->exit);
        if (life->failed && life->exit > begin && life->exit <= c->end[k])
            c->failed[k] += life->count;
        if (!(to > from))
            continue;
        add_hazard(m, to, life->count, &spans[k]);
        add_hazard(m, from, -life->count, &spans[k]);
    }
}

/* Variances of the differences: of independent counts, less what two fitted parameters take away. */
static bool set_statistic(const struct life_model *m, const struct hazard *spans, struct life_check *c)
{
    const size_t n = c->spans - 1; /* all differences add to nothing */
    double variance[LIFE_CHECK_SPANS * LIFE_CHECK_SPANS] = {0}, solved[LIFE_CHECK_SPANS] = {0};

    for (size_t i = 0; i < n; i++) {
        double i_scale = -m->shape * spans[i].sum, i_shape = spans[i].by_shape;
        for (size_t j = 0; j < n; j++) {
            double j_scale = -m->shape * spans[j].sum, j_shape = spans[j].by_shape;
            variance[i * n + j] = (i == j ? spans[i].sum : 0) - i_scale * m->var_log_scale * j_scale -
                                  i_shape * m->var_log_shape * j_shape -
                                  m->cov_log * (i_scale * j_shape + i_shape * j_scale);
        }
        solved[i] = c->failed[i] - spans[i].sum;
    }
    if (!numeric_solve(variance, n, solved))
        return false;
    c->statistic = 0;
    for (size_t i = 0; i < n; i++)
        c->statistic += solved[i] * (c->failed[i] - spans[i].sum);
    c->freedom = (double)n;
    c->p = chi_square_above(c->statistic, c->freedom);
    return true;
}

static const char *untestable(const struct lifetime *lives, size_t count, const struct life_model *m)
{
    if (m->method != LIFE_MAXIMUM_LIKELIHOOD || m->failures < LIFE_CHECK_LEAST)
        return "too few failures to tell";
    for (size_t i = 0; i < count; i++)
        if (lives[i].failed && (!isnan(lives[i].exit_high) || lives[i].exit <= 0))
            return "not told for failures between two looks";
    return NULL;
}

void life_check(const struct lifetime *lives, size_t count, const struct life_model *m,
                struct life_check *out)
{
    struct hazard spans[LIFE_CHECK_SPANS] = {{0, 0}}, all = {0, 0};

    *out = (struct life_check){.statistic = D_NAN, .freedom = D_NAN, .p = D_NAN};
    for (size_t i = 0; i < count; i++) {
        add_hazard(m, lives[i].exit, lives[i].count, &all);
        add_hazard(m, lives[i].entry, -lives[i].count, &all);
    }
    out->hazard = all.sum;
    out->why_not = untestable(lives, count, m);
    if (out->why_not)
        return;
    set_spans(lives, count, m, out);
    for (size_t i = 0; i < count; i++)
        add_life(&lives[i], m, out, spans);
    for (size_t k = 0; k < out->spans; k++)
        out->expected[k] = spans[k].sum;
    if (out->spans < 2 || !set_statistic(m, spans, out))
        out->why_not = "too many failures at one age to tell";
}

const char *life_check_words(const struct life_check *c, struct arena *mem)
{
    const double doubtful = 0.05, bad = 0.01;
    size_t worst = 0;
    if (c->why_not)
        return c->why_not;
    if (c->p >= doubtful)
        return arena_printf(mem, "fits (p %.2f)", c->p);
    for (size_t k = 0; k < c->spans; k++)
        if (pow(c->failed[k] - c->expected[k], 2) / c->expected[k] >
            pow(c->failed[worst] - c->expected[worst], 2) / c->expected[worst])
            worst = k;
    double from = worst ? c->end[worst - 1] : 0;
    const char *where = isfinite(c->end[worst])
                            ? arena_printf(mem, "from %.0f to %.0f h", from, c->end[worst])
                            : arena_printf(mem, "beyond %.0f h", from);
    return arena_printf(mem, "fits %s (p %.2g): %s %.0f failed, by the law %.1f would",
                        c->p < bad ? "badly" : "doubtfully", c->p, where, c->failed[worst],
                        c->expected[worst]);
}
