/*
 * The three packs of an invented fleet, read back with poppler, qpdf and zbar. VANEWARD_KEEP_PACKS=DIR writes
 * them there and leaves them, for looking at.
 */
#include "pack.h"

#include "numeric.h"
#include "rendered.h"

#include <math.h>
#include <unistd.h>

#define COUNT(a) (sizeof(a) / sizeof *(a))
enum {
    TODAY = 20782,
    DAYS = 130,
    MACHINES = 14,
    DRIVES_PER_MACHINE = 4,
    DRIVES = MACHINES * DRIVES_PER_MACHINE
};

static struct arena *mem;
static const char *dir;

static struct site sites[] = {
    {"NORD", "Werk Nordhöhe", "Europe/Berlin", "A4", "nord@example.org", "LO-NORD-07", NULL, 0},
    {"LAKE", "Lakeside Plant", "America/Chicago", "letter", NULL, NULL, NULL, 0},
    {"SEV", "Завод Севера / Ελλάς", "Europe/Kyiv", NULL, NULL, "Н-12", NULL, 0},
};
static struct part parts[] = {
    {"PV-4010-S", "Axial fan 40 x 10, 24 V, with plug", "EUR", NULL, 1850, 21, 6, 5, 5, DAY_UNKNOWN, NULL},
    {"PV-6025-H", "Heat-sink fan 60 x 25", "EUR", NULL, -1, D_NAN, D_NAN, 1, 1, TODAY + 90, NULL},
    {"QT-8", "Axial fan 80, with a very long description that has to be cut or wrapped somewhere sensible",
     "USD", NULL, 123450, 45, D_NAN, 10, 20, DAY_UNKNOWN, NULL},
};
static struct fan_model fan_models[] = {
    {"PV-4010", &parts[0], 6200, 4900, 40000, 40},
    {"PV-6025", &parts[1], 4300, D_NAN, D_NAN, D_NAN},
    {"QT-80", &parts[2], 3100, 2500, D_NAN, D_NAN},
};
static struct drive_model drive_models[] = {
    {"AX-2", "two-axis servo drive", ANSWER_YES, 2, 60},
    {"SP-30", "spindle drive", ANSWER_YES, 1, D_NAN},
    {"OLD-1", NULL, ANSWER_NO, 1, D_NAN},
};
static struct machine machines[MACHINES];
static struct drive drives[DRIVES];
static struct stock stock[6];
static struct source_state sources[4];
static struct fleet fleet;
static struct assessment assessment;
static struct demand demand[COUNT(parts)];
static struct order_line orders[5];
static struct pack_input input;

/* A number from 0 to 1 that looks random and is always the same. */
static double noise(unsigned a, unsigned b)
{
    unsigned h = a * 2654435761u ^ (b + 1) * 40503u;
    h ^= h >> 13;
    h *= 0x5bd1e995u;
    h ^= h >> 15;
    return (h & 0xFFFF) / 65535.0;
}

static void make_days(struct fan *fan, unsigned seed, double rated, double loss_per_day)
{
    fan->days = arena_array(mem, struct fan_day, DAYS);
    for (int i = 0; i < DAYS; i++) {
        double wear = i > 70 ? (i - 70) * loss_per_day : 0;
        double median = rated - wear + (noise(seed, (unsigned)i) - 0.5) * rated * 0.012;
        bool off = (i % 7 >= 5 && seed % 3 == 1) || (i > 40 && i < 49 && seed % 4 == 0);
        if (off)
            continue;
        fan->days[fan->day_count++] =
            (struct fan_day){.day = TODAY - DAYS + i, .covered_s = 86400, .median = median};
    }
}

static void make_fans(struct drive *d, unsigned n)
{
    static const char *const positions[] = {"heat-sink", "internal-1", "internal-2"};
    bool old = d->model == &drive_models[2];

    d->fan_count = n % 3 == 0 ? 3 : n % 3 == 1 ? 1 : 2;
    d->fans = arena_array(mem, struct fan, d->fan_count);
    for (size_t i = 0; i < d->fan_count; i++) {
        struct fan *fan = &d->fans[i];
        *fan = (struct fan){.drive = d,
                            .position = positions[d->fan_count == 1 ? 1 : i],
                            .fan_no = (int)(n * 10 + i),
                            .model = n % 11 == 10 ? NULL
                                                  : &fan_models[i == 0 && d->fan_count == 3 ? 1 : n % 2 * 2],
                            .installed_day = n % 5 ? TODAY - 400 - (int)n : DAY_UNKNOWN,
                            .hours_at_install = 0,
                            .bound = !old};
        if (!old)
            make_days(fan, n * 3 + (unsigned)i, fan->model ? fan->model->rated_rpm : 5000,
                      n % 4 == 0 && i + 1 == d->fan_count ? 14 + n % 9 : 0.3);
    }
}

static void make_history(struct drive *d, unsigned n)
{
    static const struct work cleaned[] = {{.done_us = (TODAY - 44) * US_PER_DAY + 9 * US_PER_HOUR,
                                           .action = WORK_CLEANED,
                                           .rpm_before = 5700,
                                           .rpm_after = 6100}};
    struct episode *e = arena_array(mem, struct episode, 3);
    int64_t at = (TODAY - 30 + (int)n % 9) * US_PER_DAY;

    if (n % 4)
        return;
    e[0] =
        (struct episode){FAULT_FAN, at, TIME_UNKNOWN, at + US_PER_HOUR, EPISODE_CLEARED_BY_ITSELF, true, 1};
    at += 12 * US_PER_DAY;
    e[1] = (struct episode){FAULT_FAN, at, at + US_PER_S * 60, at + 5 * US_PER_HOUR, EPISODE_ENDED_IN_ALARM,
                            true,      2};
    d->episodes = e;
    d->episode_count = 2;
    struct fan *last = &d->fans[d->fan_count - 1];
    last->work = arena_array(mem, struct work, 1);
    memcpy(last->work, cleaned, sizeof cleaned);
    last->work_count = 1;
}

static void make_drives(void)
{
    static const char *axes[] = {"X1", "Y1", "Z1", "Шпиндель"};

    for (unsigned n = 0; n < DRIVES; n++) {
        struct drive *d = &drives[n];
        *d = (struct drive){
            .machine = &machines[n / DRIVES_PER_MACHINE],
            .model = n % 13 == 12 ? NULL : &drive_models[n % 7 == 6 ? 2 : n % 2],
            .drive = arena_printf(mem, "M%02u-D%u", n / DRIVES_PER_MACHINE + 1, n % DRIVES_PER_MACHINE + 1),
            .cabinet_slot = n % 6 == 5 ? NULL : arena_printf(mem, "cabinet 2, slot %u", n % 8 + 1),
            .serial = n % 5 == 4 ? NULL : arena_printf(mem, "%07u", 7411 * (n + 3)),
            .waiting_time_min = n % 8 == 4 ? D_NAN : 10,
            .obstructed = (enum answer)(n % 3),
            .warning_hidden = (enum answer)((n / 2) % 3),
            .axes = axes,
            .axis_count = n % 4};
        make_fans(d, n);
        make_history(d, n);
    }
}

static void make_register(void)
{
    for (unsigned n = 0; n < MACHINES; n++)
        machines[n] = (struct machine){
            .site = &sites[n % COUNT(sites)],
            .machine = arena_printf(mem, "M%02u", n + 1),
            .name = n == 3 ? "Fünf-Achs-Bearbeitungszentrum mit einem Namen, der für jede Spalte zu lang ist"
                           : arena_printf(mem, "Machining centre %u", n + 1),
            .location = n % 4 == 3 ? NULL : arena_printf(mem, "hall %u, column C%u", n / 5 + 1, n + 4),
            .asset_number = n % 5 == 4 ? NULL : arena_printf(mem, "AN-%05u", 20417 + 13 * n),
            .currency = n % 3 == 1 ? "USD" : "EUR",
            .lockout_procedure = n % 3 ? NULL : arena_printf(mem, "LO-M%02u", n + 1),
            .stop_cost_per_hour = n % 6 == 5 ? D_NAN : 300 + 40.0 * n,
            .stop_hours = 9};
    make_drives();
    for (unsigned i = 0; i < COUNT(stock); i++)
        stock[i] =
            (struct stock){&sites[i / 2], &parts[i % 2], (int)i % 3, (int)i % 2 * 2, TODAY + 9, TODAY - 20};
    for (unsigned i = 0; i < COUNT(sources); i++)
        sources[i] =
            (struct source_state){.site = &sites[i % 3],
                                  .source = arena_printf(mem, "cell-%u", i + 1),
                                  .last_contact_us = i == 3 ? (TODAY - 3) * US_PER_DAY : TODAY * US_PER_DAY,
                                  .failures = i == 3 ? 412 : 0,
                                  .last_error = i == 3 ? "connection refused" : NULL,
                                  .gaps = i == 0 ? 2 : 0};
    fleet = (struct fleet){.as_of_us = TODAY * US_PER_DAY + 58800 * US_PER_S,
                           .sites = sites,
                           .site_count = COUNT(sites),
                           .machines = machines,
                           .machine_count = MACHINES,
                           .drives = drives,
                           .drive_count = DRIVES,
                           .parts = parts,
                           .part_count = COUNT(parts),
                           .fan_models = fan_models,
                           .fan_model_count = COUNT(fan_models),
                           .drive_models = drive_models,
                           .drive_model_count = COUNT(drive_models),
                           .stock = stock,
                           .stock_count = COUNT(stock),
                           .sources = sources,
                           .source_count = COUNT(sources)};
}

static void judge_fan(struct fan_risk *f, const struct fan *fan, bool bad, double probability)
{
    double last = fan->day_count ? fan->days[fan->day_count - 1].median : D_NAN;
    double rated = fan->model ? fan->model->rated_rpm : D_NAN,
           warning = fan->model ? fan->model->warning_rpm : D_NAN;

    *f = (struct fan_risk){
        .fan = fan,
        .probability = bad ? probability : 0.02,
        .interval = {bad ? probability * 0.7 : 0.005, bad ? fmin(1, probability * 1.3) : 0.06},
        .from_trend = bad ? probability * 0.8 : 0.01,
        .from_life = 0.02,
        .from_events = 0.05,
        .rpm = last,
        .rpm_day = fan->day_count ? fan->days[fan->day_count - 1].day : DAY_UNKNOWN,
        .level_rpm = last,
        .baseline_rpm = fan->day_count ? (isnan(rated) ? 5000 : rated) : D_NAN,
        .baseline_own = fan->fan_no % 3 != 0,
        .meter_factor = 1,
        .warning_rpm = warning,
        .warning_from = "register",
        .slope_per_day = bad && fan->day_count ? -16 : D_NAN,
        .slope_limits = {bad && fan->day_count ? -24 : D_NAN, bad && fan->day_count ? -9 : D_NAN},
        .days_to_warning = {D_NAN, D_NAN, D_NAN},
        .age_hours = fan->installed_day == DAY_UNKNOWN ? D_NAN : 9120};
    if (bad && fan->day_count && !isnan(warning)) {
        double distance = last > warning ? last - warning : 0;
        f->days_to_warning[0] = distance / 24;
        f->days_to_warning[1] = distance / 16;
        f->days_to_warning[2] = fan->fan_no % 2 ? D_INF : distance / 9;
    }
}

static void judge(struct drive_risk *r, const struct drive *d, unsigned n, unsigned rank)
{
    static const char *reasons[] = {
        "internal-2 runs at 5 310 rev/min, 86 % of its own level, losing 16 rev/min a day since 26 Sep.",
        "It reported a fan fault twice in 30 days; the last one ended in an alarm.",
        "Its neighbours in the cabinet hold their speed."};
    double p = rank < 3 ? 0.83 - 0.1 * rank : rank < 9 ? 0.4 - 0.02 * rank : rank < 20 ? 0.12 : 0.01;
    double cost = d->machine->stop_cost_per_hour * d->machine->stop_hours;

    *r = (struct drive_risk){.drive = d,
                             .probability = p,
                             .interval = {p * 0.7, fmin(1, p * 1.4)},
                             .expected_cost = p * cost,
                             .action = rank < 3    ? ACTION_NOW
                                       : rank < 9  ? ACTION_THIS_WEEK
                                       : rank < 20 ? ACTION_PLAN
                                                   : ACTION_WATCH,
                             .open = rank == 0 && d->episode_count ? &d->episodes[1] : NULL,
                             .reasons = reasons,
                             .reason_count = rank % 4 == 3      ? 0
                                             : rank % 4 + 1 > 3 ? 3
                                                                : rank % 4 + 1,
                             .cause_weight = {0.5, 0.3, 0.17, 0.03, 0},
                             .fan_count = d->fan_count};
    r->fans = arena_array(mem, struct fan_risk, d->fan_count);
    for (size_t i = 0; i < d->fan_count; i++)
        judge_fan(&r->fans[i], &d->fans[i], i + 1 == d->fan_count, p);
    if (n % 9 == 8)
        memset(r->cause_weight, 0, sizeof r->cause_weight);
}

static void make_assessment(void)
{
    const struct life_model model = {.method = LIFE_MAXIMUM_LIKELIHOOD,
                                     .n = 48,
                                     .failures = 7,
                                     .shape = 1.83,
                                     .scale = 41200,
                                     .log_likelihood = -80,
                                     .shape_ci = {1.1, 3.05},
                                     .scale_ci = {30100, 56300},
                                     .shape_lr = {D_NAN, D_NAN},
                                     .scale_lr = {D_NAN, D_NAN},
                                     .b10 = 12040,
                                     .var_log_scale = 0.03,
                                     .var_log_shape = 0.07,
                                     .cov_log = 0.01};

    assessment = (struct assessment){.fleet = &fleet, .horizon_days = 30};
    assessment.life.models = arena_array(mem, struct life_model, COUNT(fan_models));
    assessment.life.all = assessment.life.models[0] = model;
    assessment.life.models[1] = (struct life_model){.method = LIFE_NO_FAILURE,
                                                    .n = 12,
                                                    .shape = 2,
                                                    .scale = 61000,
                                                    .shape_ci = {D_NAN, D_NAN},
                                                    .scale_ci = {D_NAN, D_NAN},
                                                    .b10 = D_NAN};
    assessment.life.models[2] = (struct life_model){.method = LIFE_NO_DATA,
                                                    .shape = D_NAN,
                                                    .scale = D_NAN,
                                                    .shape_ci = {D_NAN, D_NAN},
                                                    .scale_ci = {D_NAN, D_NAN},
                                                    .b10 = D_NAN};
    assessment.ranked = arena_array(mem, struct drive_risk, DRIVES);
    assessment.unknown = arena_array(mem, struct drive_risk, DRIVES);
    for (unsigned pass = 0; pass < 2; pass++)
        for (unsigned n = 0; n < DRIVES; n++) {
            bool bad = n % 4 == 0 || n % 7 == 3;
            if (n % 14 == 13) {
                if (!pass)
                    assessment.unknown[assessment.unknown_count++] = (struct drive_risk){
                        .drive = &drives[n],
                        .probability = D_NAN,
                        .interval = {D_NAN, D_NAN},
                        .expected_cost = D_NAN,
                        .unknown = "no fan speed is reported, and it is not known when the fan was fitted"};
            } else if (bad == (pass == 0)) {
                judge(&assessment.ranked[assessment.ranked_count], &drives[n], n,
                      (unsigned)assessment.ranked_count);
                assessment.ranked_count++;
            }
        }
}

static void make_orders(void)
{
    static const struct drive_risk *behind[3];

    for (unsigned i = 0; i < COUNT(parts); i++) {
        static double poisson[COUNT(parts)][24];
        double mean = i == 0 ? 6.4 : i == 1 ? 0.7 : 2.2, term = exp(-mean);
        for (int k = 0; k < 24; k++, term *= mean / k)
            poisson[i][k] = term;
        demand[i] = (struct demand){.part = &parts[i], .fans = 31, .count = {poisson[i], 24}};
    }
    for (unsigned i = 0; i < COUNT(behind); i++)
        behind[i] = &assessment.ranked[i];
    for (unsigned i = 0; i < COUNT(orders); i++)
        orders[i] = (struct order_line){
            .part = &parts[i % 3],
            .site = &sites[i / 2],
            .on_hand = 1,
            .on_order = (int)i % 2,
            .span_days = 28 + 7 * i,
            .mean = 1.37 + i,
            .quantile = 4,
            .base_stock = 5,
            .order = i == 4 ? 0 : 5 * ((int)i + 1),
            .service_without = 0.61,
            .service_with = 0.967,
            .order_by_day = TODAY + 6 * (int)i,
            .cost_minor = parts[i % 3].price_minor < 0 ? -1 : parts[i % 3].price_minor * 5 * ((int)i + 1),
            .why = "1 on the shelf and none on order against an expected need of 1.4 in 28 "
                   "days; with 5 more a piece is there 97 times of 100.",
            .drives = behind,
            .drive_count = i % 4};
    input = (struct pack_input){.assessment = &assessment,
                                .demand = demand,
                                .demand_count = COUNT(demand),
                                .orders = orders,
                                .order_count = COUNT(orders),
                                .service = 0.95};
}

enum { PACKS = COUNT(sites) + 2, MARGIN = 42 /* 15 mm, cut */ };
static const char *paths[PACKS];

/* Some of the data are changed by a test before it writes. */
static void setup(void)
{
    static char made[64];

    mem = arena_new(1 << 28);
    dir = getenv("VANEWARD_KEEP_PACKS");
    strcpy(made, "/tmp/vaneward-pack-XXXXXX");
    if (!dir)
        dir = mkdtemp(made);
    ck_assert_ptr_nonnull(dir);
    make_register();
    make_assessment();
    make_orders();
}

static void teardown(void)
{
    if (!getenv("VANEWARD_KEEP_PACKS"))
        output_of(mem, arena_printf(mem, "rm -rf '%s'", dir));
    arena_free(mem);
}

static void write_packs(void)
{
    struct err err = {0};

    for (size_t i = 0; i < COUNT(sites); i++)
        ck_assert_msg(pack_site(&input, &sites[i], dir, mem, &paths[i], &err), "%s", err.text);
    ck_assert_msg(pack_procurement(&input, dir, mem, &paths[COUNT(sites)], &err), "%s", err.text);
    ck_assert_msg(pack_fleet(&input, dir, mem, &paths[COUNT(sites) + 1], &err), "%s", err.text);
}

static const char *text_of(const char *path)
{
    return output_of(mem, arena_printf(mem, "pdftotext -layout '%s' - 2>/dev/null", path));
}

static int pages_of(const char *path)
{
    return atoi(output_of(mem, arena_printf(mem, "qpdf --show-npages '%s'", path)));
}

/* Page n, from 1, of a document's text. */
static const char *page_of(const char *text, int n)
{
    while (--n)
        text = strchr(text, '\f') + 1;
    return arena_strndup(mem, text, strcspn(text, "\f"));
}

static const char *first_page(const char *path)
{
    return page_of(text_of(path), 1);
}

static int jobs_of(const struct site *site)
{
    int jobs = 0;
    for (size_t i = 0; i < assessment.ranked_count; i++)
        jobs +=
            assessment.ranked[i].drive->machine->site == site && assessment.ranked[i].action < ACTION_WATCH;
    return jobs;
}

START_TEST(packs_are_whole_embed_their_fonts_and_number_their_pages)
{
    write_packs();
    for (size_t i = 0; i < PACKS; i++) {
        int pages = pages_of(paths[i]);
        const char *all = text_of(paths[i]);
        ck_undamaged(mem, paths[i]);
        ck_fonts_embedded(mem, paths[i]);
        for (int page = 1; page <= pages; page++) {
            const char *text = page_of(all, page);
            ck_assert_ptr_nonnull(strstr(text, arena_printf(mem, "page %d of %d", page, pages)));
            ck_assert_ptr_nonnull(strstr(text, "Data as of 25 Nov 2026"));
        }
    }
}
END_TEST

START_TEST(no_word_leaves_the_margins_or_stands_on_another)
{
    double page[2];
    struct word *w;

    write_packs();
    for (size_t i = 0; i < PACKS; i++) {
        size_t count = words_of(mem, paths[i], &w, page);
        for (size_t k = 0; k < count; k++)
            if (w[k].left < MARGIN || w[k].right > page[0] - MARGIN || w[k].top < MARGIN ||
                w[k].bottom > page[1] - MARGIN)
                ck_abort_msg("%s page %d: '%s'", paths[i], w[k].page, w[k].text);
        ck_words_apart(mem, paths[i]);
    }
}
END_TEST

START_TEST(paper_and_time_are_the_sites_own)
{
    write_packs();
    ck_assert_ptr_nonnull(
        strstr(output_of(mem, arena_printf(mem, "pdfinfo '%s' 2>/dev/null", paths[1])), "612 x 792"));
    ck_assert_ptr_nonnull(
        strstr(output_of(mem, arena_printf(mem, "pdfinfo '%s' 2>/dev/null", paths[0])), "(A4)"));
    ck_assert_ptr_nonnull(strstr(first_page(paths[0]), "25 Nov 2026 17:20 CET (Europe/Berlin)"));
    ck_assert_ptr_nonnull(strstr(first_page(paths[1]), "25 Nov 2026 10:20 CST (America/Chicago)"));
    ck_assert_ptr_nonnull(strstr(first_page(paths[2]), "Завод Севера / Ελλάς"));
}
END_TEST

START_TEST(every_job_is_one_page_with_a_code_that_says_which)
{
    write_packs();
    for (size_t i = 0; i < COUNT(sites); i++) {
        int pages = pages_of(paths[i]), sheets = 0;
        const char *all = text_of(paths[i]);
        for (int page = 1; page <= pages; page++) {
            const char *text = page_of(all, page), *job = strstr(text, " job ");
            char id[80];
            if (!job)
                continue;
            ck_assert_int_eq(sscanf(job, " job %79s", id), 1);
            if (sheets % 3 == 0) { /* looking takes long */
                page_image(mem, paths[i], page, 120, "-gray");
                ck_assert_str_eq(
                    output_of(mem, arena_printf(mem, "zbarimg -q --raw '%s.page.pgm' 2>/dev/null", paths[i])),
                    arena_printf(mem, "%s\n", id));
            }
            ck_assert_ptr_nonnull(strstr(text, "Accepted if"));
            ck_assert_ptr_nonnull(strstr(text, "Record: tick"));
            sheets++;
        }
        ck_assert_int_eq(sheets, jobs_of(&sites[i]));
    }
}
END_TEST

START_TEST(a_sheet_without_lockout_or_waiting_time_is_not_released)
{
    write_packs();
    for (size_t i = 0; i < COUNT(sites); i++) {
        int expected = 0;
        for (size_t k = 0; k < assessment.ranked_count; k++) {
            const struct drive_risk *r = &assessment.ranked[k];
            const struct machine *machine = r->drive->machine;
            if (machine->site == &sites[i] && r->action < ACTION_WATCH)
                expected += isnan(r->drive->waiting_time_min) ||
                            (!machine->lockout_procedure && !machine->site->lockout_procedure);
        }
        ck_assert_int_eq(occurrences(text_of(paths[i]), "NOT RELEASED"), expected);
    }
}
END_TEST

/* Spelled so that a rewording of the pages shows here. */
START_TEST(packs_never_call_a_drive_safe_and_a_forecast_a_failure)
{
    static const char *const banned[] = {"is off",       "isolated.", "safe to",
                                         "de-energised", "will fail", "predicted failure"};

    static const char denial[] = "shows that a drive is off";

    write_packs();
    for (size_t i = 0; i < PACKS; i++) {
        const char *text = text_of(paths[i]);
        for (size_t k = 0; k < COUNT(banned); k++)
            for (const char *at = text; (at = strstr(at, banned[k])) != NULL; at++)
                ck_assert_msg(at - text > 19 && strncmp(at - 19, denial, strlen(denial)) == 0,
                              "'%s' stands in %s", banned[k], paths[i]);
    }
    ck_assert_ptr_nonnull(strstr(text_of(paths[0]), "neither a speed of 0 nor silence is a proof"));
}
END_TEST

START_TEST(same_data_give_the_same_bytes)
{
    const char *first = arena_printf(mem, "%s/first", dir);

    write_packs();
    output_of(mem, arena_printf(mem, "mkdir -p '%s' && cp '%s'/*.pdf '%s'", first, dir, first));
    sleep(1);
    write_packs();
    for (size_t i = 0; i < PACKS; i++)
        output_of(mem, arena_printf(mem, "cmp '%s' '%s/%s'", paths[i], first, strrchr(paths[i], '/') + 1));
    output_of(mem, arena_printf(mem, "rm -r '%s'", first));
}
END_TEST

START_TEST(more_jobs_than_a_pack_holds_are_said)
{
    struct err err = {0};
    const char *path;

    for (unsigned n = 0; n < DRIVES; n++)
        judge(&assessment.ranked[n], &drives[n], n, 10);
    assessment.ranked_count = DRIVES;
    for (unsigned n = 0; n < MACHINES; n++)
        machines[n].site = &sites[0];
    ck_assert_msg(pack_site(&input, &sites[0], dir, mem, &path, &err), "%s", err.text);
    ck_assert_int_eq(occurrences(text_of(path), "Accepted if"), 40);
    ck_assert_ptr_nonnull(strstr(text_of(path), "16 drives to plan have none in this pack"));
    ck_words_apart(mem, path);
}
END_TEST

START_TEST(a_site_where_nothing_is_wrong_or_known_has_a_pack)
{
    assessment.ranked_count = 0;
    input.order_count = input.demand_count = 0;
    fleet.source_count = fleet.stock_count = 0;
    write_packs();
    ck_assert_ptr_nonnull(strstr(text_of(paths[0]), "no drive of this site is near a fault"));
    ck_assert_ptr_nonnull(strstr(text_of(paths[3]), "Nothing has to be ordered now"));
    for (size_t i = 0; i < PACKS; i++)
        ck_undamaged(mem, paths[i]);
}
END_TEST

START_TEST(the_longest_names_fit_and_odd_ones_do_no_harm)
{
    char *longest = arena_alloc(mem, 65), *cyrillic = arena_alloc(mem, 129);

    memset(longest, 'W', 64);
    for (int i = 0; i < 64; i++)
        memcpy(cyrillic + 2 * (size_t)i, "Ж", 2);
    for (unsigned n = 0; n < MACHINES; n++) {
        machines[n].name = n % 2 ? longest : cyrillic;
        machines[n].location = machines[n].asset_number = machines[n].lockout_procedure = longest;
    }
    for (unsigned n = 0; n < DRIVES; n++) {
        drives[n].drive = arena_printf(mem, "%.60s%02u", longest, n);
        drives[n].cabinet_slot = drives[n].serial = cyrillic;
    }
    sites[2].name = "风扇 ) Tj \\ \xff";
    sites[2].site = "../../etc/:*?";
    write_packs();
    sites[2].name = "Завод Севера / Ελλάς";
    sites[2].site = "SEV";
    ck_assert_uint_eq((size_t)(strrchr(paths[2], '/') - paths[2]), strlen(dir));
    ck_assert_int_eq(strrchr(paths[2], '/')[1], '_');
    ck_assert_ptr_nonnull(strstr(first_page(paths[2]), "Not printed in this document"));
    for (size_t i = 0; i < PACKS; i++) {
        ck_undamaged(mem, paths[i]);
        ck_words_apart(mem, paths[i]);
    }
    ck_assert_int_eq(occurrences(text_of(paths[1]), "Accepted if"), jobs_of(&sites[1]));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("pack");
    TCase *packs = tcase_create("packs");

    tcase_set_timeout(packs, 100);
    tcase_add_checked_fixture(packs, setup, teardown);
    tcase_add_test(packs, packs_are_whole_embed_their_fonts_and_number_their_pages);
    tcase_add_test(packs, no_word_leaves_the_margins_or_stands_on_another);
    tcase_add_test(packs, paper_and_time_are_the_sites_own);
    tcase_add_test(packs, every_job_is_one_page_with_a_code_that_says_which);
    tcase_add_test(packs, a_sheet_without_lockout_or_waiting_time_is_not_released);
    tcase_add_test(packs, packs_never_call_a_drive_safe_and_a_forecast_a_failure);
    tcase_add_test(packs, same_data_give_the_same_bytes);
    tcase_add_test(packs, more_jobs_than_a_pack_holds_are_said);
    tcase_add_test(packs, a_site_where_nothing_is_wrong_or_known_has_a_pack);
    tcase_add_test(packs, the_longest_names_fit_and_odd_ones_do_no_harm);
    suite_add_tcase(suite, packs);

    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
