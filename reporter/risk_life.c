#include "life_mixing.h"
#include "life_pool.h"
#include "numeric.h"
#include "risk_parts.h"

#include <math.h>
#include <stdint.h>

/* The lives sorted out by fan model; the last group is that of fans whose model is not known. */
struct sorted {
    const struct fleet *fleet;
    struct arena *mem;
    struct site_life *lives;
    size_t count;
    struct lifetime *ages; /* as they are fitted */
    struct life_group_lives *groups;
};

struct lifetime risk_paced(const struct site_life *l, const double *pace)
{
    struct lifetime life = l->life;
    life.entry *= pace[l->site];
    life.exit *= pace[l->site];
    return life;
}

static void sort_out(struct sorted *s, const double *pace)
{
    size_t groups = s->fleet->fan_model_count + 1, begin = 0;

    for (size_t k = 0; k < groups; k++)
        s->groups[k].count = 0;
    for (size_t i = 0; i < s->count; i++)
        s->groups[s->lives[i].model].count++;
    size_t *at = arena_array(s->mem, size_t, groups);
    for (size_t k = 0; k < groups; begin += s->groups[k++].count) {
        at[k] = begin;
        s->groups[k].lives = s->ages + begin;
    }
    for (size_t i = 0; i < s->count; i++)
        s->ages[at[s->lives[i].model]++] = risk_paced(&s->lives[i], pace);
}

static void fit_all(struct sorted *s, struct arena *mem, struct life_table *t)
{
    size_t models = s->fleet->fan_model_count;
    struct arena *scratch = arena_new(SIZE_MAX);
    struct lifetime *all = arena_array(scratch, struct lifetime, s->count);
    struct life_model newcomer;

    sort_out(s, t->pace);
    for (size_t i = 0; i < s->count; i++)
        all[i] = risk_paced(&s->lives[i], t->pace);
    life_fit(all, s->count, LIFE_ASSUMED_SHAPE, scratch, &t->all);
    for (size_t i = 0; i < models; i++) {
        arena_reset(scratch);
        life_fit(s->groups[i].lives, s->groups[i].count, LIFE_ASSUMED_SHAPE, scratch, &t->own[i]);
        t->models[i] = t->own[i];
    }
    arena_free(scratch);
    life_pool(s->groups, models, LIFE_ASSUMED_SHAPE, mem, t->models, &newcomer);
}

/*
 * How much faster fans age at one site than at another: the worn fans of each site against the hazard that
 * the models give them, sites with few of them drawn to all (gamma mixing). Changes nothing unless sites
 * differ.
 */
static bool set_pace(const struct sorted *s, struct life_table *t)
{
    enum { FAILURES_TO_TELL = 10 };
    const double least = 0.5, most = 2;
    size_t sites = s->fleet->site_count;
    struct mixing_group *of = arena_array(s->mem, struct mixing_group, sites);
    double failures = 0, hazard = 0;
    struct mixing m;

    for (size_t i = 0; i < s->count; i++) {
        const struct site_life *l = &s->lives[i];
        bool known = l->model < s->fleet->fan_model_count;
        double expected = life_hazard(known ? &t->models[l->model] : &t->all, l->life.entry, l->life.exit);
        of[l->site].events += l->life.failed;
        of[l->site].exposure += expected;
        failures += l->life.failed;
        hazard += expected;
    }
    if (sites < 2 || failures < FAILURES_TO_TELL || !(hazard > 0))
        return false;
    mixing_fit(of, sites, &m);
    for (size_t i = 0; i < sites && !m.alike; i++) {
        double times = (m.a + of[i].events) / (m.b + of[i].exposure) / (failures / hazard);
        t->pace[i] = fmin(most, fmax(least, pow(times, 1 / t->all.shape)));
    }
    return !m.alike;
}

struct life_table risk_life_table(const struct fleet *fleet, const int32_t *starts, struct arena *mem)
{
    size_t models = fleet->fan_model_count;
    struct life_table t = {.models = arena_array(mem, struct life_model, models),
                           .own = arena_array(mem, struct life_model, models),
                           .pace = arena_array(mem, double, fleet->site_count),
                           .starts = starts};
    struct sorted s = {.fleet = fleet,
                       .mem = arena_new(SIZE_MAX),
                       .groups = arena_array(mem, struct life_group_lives, models + 1)};

    for (size_t i = 0; i < fleet->site_count; i++)
        t.pace[i] = 1;
    s.count = risk_site_lives(fleet, starts, s.mem, &s.lives);
    s.ages = arena_array(s.mem, struct lifetime, s.count);
    fit_all(&s, mem, &t);
    if (set_pace(&s, &t))
        fit_all(&s, mem, &t);
    arena_free(s.mem);
    return t;
}

const struct life_model *risk_life_of_model(const struct fleet *fleet, const struct life_table *life,
                                            const struct fan_model *model)
{
    const struct life_model *own = model ? &life->models[model - fleet->fan_models] : NULL;
    return own && (own->law || own->failures > 0) ? own : &life->all;
}

const struct life_model *risk_life_of(const struct assessment *a, const struct fan_model *model)
{
    return risk_life_of_model(a->fleet, &a->life, model);
}
