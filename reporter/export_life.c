#include "export.h"
#include "export_grid.h"
#include "export_values.h"

#include <stdint.h>
#include <string.h>

static json_t *model_json(json_t *o, const struct life_model *m)
{
    json_object_set_new(o, "shape", number(m->shape));
    json_object_set_new(o, "scale", number(m->scale));
    json_object_set_new(o, "shape_ci", numbers(m->shape_ci, 2));
    json_object_set_new(o, "scale_ci", numbers(m->scale_ci, 2));
    json_object_set_new(o, "b10", number(m->b10));
    json_object_set_new(o, "method", text(life_method_word(m->method)));
    return o;
}

static json_t *check_json(const struct life_check *c, struct arena *mem)
{
    json_t *o = json_object();
    json_object_set_new(o, "words", text(life_check_words(c, mem)));
    json_object_set_new(o, "p", number(c->p));
    json_object_set_new(o, "chi_square", number(c->statistic));
    json_object_set_new(o, "degrees_of_freedom", number(c->freedom));
    json_object_set_new(o, "cumulative_hazard", number(c->hazard));
    return o;
}

/* The curves and the law at the age by which half of the failures were seen. */
static json_t *step_json(const struct life_group *g)
{
    const struct life_step *s = &g->step;
    json_t *o = json_object();
    json_object_set_new(o, "age", number(s->age));
    json_object_set_new(o, "at_risk", number(s->at_risk));
    json_object_set_new(o, "survival", number(s->survival));
    json_object_set_new(o, "survival_ci", numbers((const double[]){s->lower, s->upper}, 2));
    json_object_set_new(o, "hazard", number(s->hazard));
    json_object_set_new(o, "by_the_law", number(life_survival(&g->model, s->age)));
    return o;
}

static json_t *group_json(const struct life_group *g, struct arena *mem)
{
    const struct life_model *m = &g->model;
    json_t *o = json_object();
    json_object_set_new(o, "group", text(g->group));
    json_object_set_new(o, "n", json_integer((json_int_t)m->n));
    json_object_set_new(o, "failures", number(m->failures));
    model_json(o, m);
    json_object_set_new(o, "log_likelihood", number(m->log_likelihood));
    json_object_set_new(o, "shape_lr", numbers(m->shape_lr, 2));
    json_object_set_new(o, "scale_lr", numbers(m->scale_lr, 2));
    json_object_set_new(o, "goodness", check_json(&g->check, mem));
    if (!isnan(g->step.age))
        json_object_set_new(o, "seen", step_json(g));
    if (g->pooled.law) {
        json_t *pooled = model_json(json_object(), &g->pooled);
        json_object_set_new(pooled, "borrowed", number(g->pooled.borrowed));
        json_object_set_new(o, "pooled", pooled);
    }
    return o;
}

static json_t *causes_json(const struct life_causes *c)
{
    json_t *list = json_array();
    for (size_t i = 0; i < c->count; i++) {
        json_t *o = json_object();
        json_object_set_new(o, "cause", text(c->list[i].cause));
        json_object_set_new(o, "events", number(c->list[i].events));
        json_object_set_new(o, "per_million_hours", number(c->list[i].rate));
        json_object_set_new(o, "per_million_hours_ci", numbers(c->list[i].limits, 2));
        json_object_set_new(o, "first_by", number(c->age));
        json_object_set_new(o, "share", number(c->list[i].share));
        json_object_set_new(o, "share_se", number(c->list[i].se));
        json_array_append_new(list, o);
    }
    return list;
}

static json_t *effects_json(const struct life_regression *r)
{
    json_t *o = json_object(), *list = json_array();
    json_object_set_new(o, "why_not", text(r->why_not));
    for (size_t i = 0; !r->why_not && i < r->count; i++) {
        json_t *e = json_object();
        json_object_set_new(e, "covariate", text(r->effects[i].name));
        json_object_set_new(e, "effect", number(r->effects[i].value));
        json_object_set_new(e, "se", number(r->effects[i].se));
        json_object_set_new(e, "ci", numbers(r->effects[i].wald, 2));
        json_object_set_new(e, "lr", numbers(r->effects[i].lr, 2));
        json_object_set_new(e, "p", number(r->effects[i].p));
        json_array_append_new(list, e);
    }
    json_object_set_new(o, "effects", list);
    if (r->why_not)
        return o;
    json_object_set_new(o, "intercept", number(r->intercept));
    json_object_set_new(o, "shape", number(r->shape));
    json_object_set_new(o, "shape_ci", numbers(r->shape_ci, 2));
    json_object_set_new(o, "log_likelihood", number(r->log_likelihood));
    json_object_set_new(o, "log_likelihood_without", number(r->log_likelihood_without));
    json_object_set_new(o, "p", number(r->p));
    return o;
}

static json_t *places_json(const struct life_places *p)
{
    json_t *o = json_object(), *list = json_array();
    json_object_set_new(o, "places", number(p->places));
    json_object_set_new(o, "replacements", number(p->events));
    json_object_set_new(o, "days", number(p->days));
    json_object_set_new(o, "mean", number(p->mean));
    json_object_set_new(o, "mean_ci", numbers(p->limits, 2));
    json_object_set_new(o, "growth", number(p->law.growth));
    json_object_set_new(o, "trend_p", number(p->law.trend_p));
    for (size_t i = 0; i < p->worse_count; i++) {
        json_t *place = json_object();
        json_object_set_new(place, "drive", text(p->worse[i].drive));
        json_object_set_new(place, "position", text(p->worse[i].position));
        json_object_set_new(place, "replacements", number(p->worse[i].events));
        json_object_set_new(place, "growth", number(p->worse[i].growth));
        json_object_set_new(place, "p", number(p->worse[i].p));
        json_array_append_new(list, place);
    }
    json_object_set_new(o, "faster_and_faster", list);
    return o;
}

bool export_life_json(const struct life_report *r, FILE *out, struct err *err)
{
    json_t *root = json_object(), *list = json_array();
    struct arena *mem = arena_new(SIZE_MAX);

    for (size_t i = 0; i < r->group_count; i++)
        json_array_append_new(list, group_json(&r->groups[i], mem));
    if (r->as_of_us != TIME_UNKNOWN)
        json_object_set_new(root, "as_of", moment(r->as_of_us));
    json_object_set_new(root, "groups", list);
    json_object_set_new(root, "causes", causes_json(&r->causes));
    if (r->effects)
        json_object_set_new(root, "covariates", effects_json(r->effects));
    if (r->places.places > 0)
        json_object_set_new(root, "places", places_json(&r->places));
    json_t *paces = json_object();
    for (size_t i = 0; i < r->pace_count; i++)
        json_object_set_new(paces, r->paces[i].site, number(r->paces[i].pace));
    json_object_set_new(root, "pace_of_sites", paces);
    arena_free(mem);
    return dump(root, out, err);
}

static const char *real(struct arena *mem, double x)
{
    if (!isfinite(x))
        return "?";
    return arena_printf(mem, fabs(x) >= 1000 ? "%.0f" : "%.3g", x);
}

static const char *limits(struct arena *mem, const double ci[2])
{
    if (!isfinite(ci[0]) && !isfinite(ci[1]))
        return "";
    return arena_printf(mem, "%s to %s", real(mem, ci[0]), real(mem, ci[1]));
}

static const char *method(struct arena *mem, const struct life_group *g, const struct life_model *m)
{
    const char *word = life_method_word(m->method);
    return g->pooled.law ? arena_printf(mem, "%s, %.0f %% borrowed", word, 100 * g->pooled.borrowed) : word;
}

static void write_groups(const struct life_report *r, struct arena *mem, FILE *out)
{
    static const char *const heads[] = {"group", "n",    "failed", "shape", "95 %",
                                        "scale", "95 %", "b10",    "method"};
    struct grid g = grid_of(mem, heads, "lrrrlrlrl");

    for (size_t i = 0; i < r->group_count; i++) {
        const struct life_group *group = &r->groups[i];
        bool borrows = group->pooled.law && group->pooled.method == LIFE_POOLED;
        const struct life_model *m = borrows ? &group->pooled : &group->model;
        grid_add(&g, (const char *const[]){
                         group->group, arena_printf(mem, "%zu", m->n), arena_printf(mem, "%.0f", m->failures),
                         real(mem, m->shape), limits(mem, m->shape_ci), real(mem, m->scale),
                         limits(mem, m->scale_ci), real(mem, m->b10), method(mem, group, m)});
    }
    grid_write(&g, out);
}

static void write_checks(const struct life_report *r, struct arena *mem, FILE *out)
{
    static const char *const heads[] = {"group", "at", "live", "95 %", "by the law", "whether the law fits"};
    struct grid g = grid_of(mem, heads, "lrrlrl");
    size_t rows = 0;

    for (size_t i = 0; i < r->group_count; i++) {
        const struct life_group *group = &r->groups[i];
        const struct life_step *s = &group->step;
        if (isnan(s->age))
            continue;
        double by_law = life_survival(&group->model, s->age);
        grid_add(&g, (const char *const[]){group->group, arena_printf(mem, "%.0f h", s->age),
                                           real(mem, s->survival),
                                           limits(mem, (const double[]){s->lower, s->upper}),
                                           real(mem, by_law), life_check_words(&group->check, mem)});
        rows++;
    }
    if (!rows)
        return;
    fputs("\nBeside the law: the share that lives on, as seen (Kaplan-Meier)\n\n", out);
    grid_write(&g, out);
}

static void write_causes(const struct life_causes *c, struct arena *mem, FILE *out)
{
    static const char *const heads[] = {"cause", "seen", "a million hours", "95 %", "first by", "share"};
    struct grid g = grid_of(mem, heads, "lrrlrr");

    for (size_t i = 0; i < c->count; i++)
        grid_add(&g, (const char *const[]){c->list[i].cause, arena_printf(mem, "%.0f", c->list[i].events),
                                           real(mem, c->list[i].rate), limits(mem, c->list[i].limits),
                                           arena_printf(mem, "%.0f h", c->age),
                                           arena_printf(mem, "%.1f %%", 100 * c->list[i].share)});
    if (!c->count)
        return;
    fputs("\nWhat was found, each cause beside the others\n\n", out);
    grid_write(&g, out);
}

static void write_effects(const struct life_regression *r, struct arena *mem, FILE *out)
{
    static const char *const heads[] = {"covariate", "effect", "95 %", "p"};
    struct grid g = grid_of(mem, heads, "lrlr");

    if (r->why_not) {
        fprintf(out, "\nNo effects of covariates: %s\n", r->why_not);
        return;
    }
    for (size_t i = 0; i < r->count; i++)
        grid_add(&g, (const char *const[]){r->effects[i].name, real(mem, r->effects[i].value),
                                           limits(mem, r->effects[i].lr), real(mem, r->effects[i].p)});
    fputs("\nEffects on the log of life (accelerated failure time)\n\n", out);
    grid_write(&g, out);
}

static void write_places(const struct life_places *p, struct arena *mem, FILE *out)
{
    if (p->events > 0)
        grid_paragraph(
            arena_printf(mem,
                         "Replacements for a failure: %.0f at %.0f places; a place had %.3f within %.0f "
                         "days (95 %% %.3f to %.3f), growing with the power %.2f of time (p %.2g that "
                         "the rate is constant).",
                         p->events, p->places, p->mean, p->days, p->limits[0], p->limits[1], p->law.growth,
                         p->law.trend_p),
            0, EXPORT_WIDTH, out);
    for (size_t i = 0; i < p->worse_count; i++)
        grid_paragraph(arena_printf(mem, "Faster and faster: %s %s, %.0f replacements, p %.2g.",
                                    p->worse[i].drive, p->worse[i].position, p->worse[i].events,
                                    p->worse[i].p),
                       2, EXPORT_WIDTH, out);
}

bool export_life_text(const struct life_report *r, FILE *out, struct err *err)
{
    struct arena *mem = arena_new(SIZE_MAX);
    char at[TIME_TEXT];

    if (r->as_of_us != TIME_UNKNOWN) {
        time_format(r->as_of_us - r->as_of_us % US_PER_S, at);
        fprintf(out, "Life models of the fans as of %s\n\n", at);
    }
    write_groups(r, mem, out);
    write_checks(r, mem, out);
    write_causes(&r->causes, mem, out);
    if (r->effects)
        write_effects(r->effects, mem, out);
    fputc('\n', out);
    write_places(&r->places, mem, out);
    for (size_t i = 0; i < r->pace_count; i++)
        grid_paragraph(arena_printf(mem, "At %s an hour counts as %.2f hours of age.", r->paces[i].site,
                                    r->paces[i].pace),
                       0, EXPORT_WIDTH, out);
    grid_paragraph(
        "Weibull life in hours: a share of exp(-(t/scale)^shape) lives longer than t. b10: age at which "
        "a tenth has failed. Wear alone counts as failed here; what was cleaned, reseated or mended lives "
        "on. borrowed: share of the rate that other groups lend. Without any failure the scale is a lower "
        "limit at 50 % confidence for a shape that is assumed.",
        0, EXPORT_WIDTH, out);
    arena_free(mem);
    if (fflush(out) || ferror(out))
        return err_set(err, ERR_OUTPUT, "cannot write the results");
    return true;
}
