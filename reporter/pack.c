#include "pack_inside.h"

#include <ctype.h>
#include <math.h>
#include <string.h>
#include <strings.h>

static const char not_known[] = "not known";

const char *pack_or(const char *text, const char *otherwise)
{
    return text && *text ? text : otherwise;
}

const char *pack_percent(struct arena *mem, double p)
{
    if (isnan(p))
        return not_known;
    if (p > 0 && p < 0.01)
        return "below\u00A01\u00A0%";
    if (p < 1 && p > 0.99)
        return "above\u00A099\u00A0%";
    return arena_printf(mem, "%.0f\u00A0%%", p * 100);
}

const char *pack_likely(struct arena *mem, double p, const double interval[2])
{
    if (isnan(p))
        return not_known;
    if (isnan(interval[0]) || isnan(interval[1]) || lround(interval[0] * 100) == lround(interval[1] * 100))
        return pack_percent(mem, p);
    return arena_printf(mem, "%s (%.0f\u00A0to\u00A0%.0f\u00A0%%)", pack_percent(mem, p), interval[0] * 100,
                        interval[1] * 100);
}

/* Groups of three, with a space that does not break. */
static const char *grouped(struct arena *mem, int64_t v)
{
    static const char space[] = {'\xC2', '\xA0'}; /* U+00A0 */
    char *digits = arena_printf(mem, "%lld", (long long)(v < 0 ? -v : v));
    size_t length = strlen(digits), out = 0;
    char *text = arena_alloc(mem, length * 2 + length / 3 * 2 + 4);

    if (v < 0)
        text[out++] = '-';
    for (size_t i = 0; i < length; i++) {
        if (i && (length - i) % 3 == 0) {
            memcpy(text + out, space, sizeof space);
            out += sizeof space;
        }
        text[out++] = digits[i];
    }
    return text;
}

const char *pack_number(struct arena *mem, double v)
{
    if (!isfinite(v) || fabs(v) > 1e15)
        return not_known;
    return grouped(mem, llround(v));
}

/* An expected cost is no bill: two figures are as many as it deserves. */
const char *pack_cost(struct arena *mem, double cost, const char *currency)
{
    if (!isfinite(cost))
        return not_known;
    double power = cost >= 100 ? pow(10, floor(log10(cost)) - 1) : 1;
    return arena_printf(mem, "%s\u00A0%s", pack_number(mem, round(cost / power) * power),
                        pack_or(currency, ""));
}

const char *pack_price(struct arena *mem, int64_t minor, const char *currency)
{
    if (minor < 0)
        return not_known;
    return arena_printf(mem, "%s.%02d %s", grouped(mem, minor / 100), (int)(minor % 100),
                        pack_or(currency, ""));
}

const char *pack_speed(struct arena *mem, double rpm)
{
    return isfinite(rpm) ? arena_printf(mem, "%.0f rev/min", rpm) : not_known;
}

const char *pack_day(struct arena *mem, int32_t day)
{
    char text[32];
    if (day == DAY_UNKNOWN)
        return not_known;
    time_local(day_start_us(day), "UTC", "%e %b %Y", text, sizeof text);
    return arena_strdup(mem, text + (text[0] == ' '));
}

static const char *zone_of(const struct site *site)
{
    return site ? pack_or(site->time_zone, "UTC") : "UTC";
}

const char *pack_moment(struct arena *mem, int64_t us, const struct site *site)
{
    char text[48];
    if (us == TIME_UNKNOWN)
        return not_known;
    time_local(us, zone_of(site), "%e %b %Y %H:%M %Z", text, sizeof text);
    return arena_strdup(mem, text + (text[0] == ' '));
}

const char *pack_list(struct arena *mem, const char *const *items, size_t count)
{
    const char *text = "";
    for (size_t i = 0; i < count; i++)
        text = arena_printf(mem, "%s%s%s", text, i ? ", " : "", items[i]);
    return text;
}

const char *pack_plural(struct arena *mem, int64_t n, const char *one, const char *many)
{
    return arena_printf(mem, "%lld %s", (long long)n, n == 1 ? one : many);
}

enum mark pack_mark(enum action action)
{
    static const enum mark marks[] = {
        [ACTION_NOW] = MARK_NOW,
        [ACTION_THIS_WEEK] = MARK_WEEK,
        [ACTION_PLAN] = MARK_PLAN,
        [ACTION_WATCH] = MARK_WATCH,
    };
    return marks[action];
}

struct cell pack_action_cell(enum action action)
{
    return (struct cell){
        .text = action_word(action), .mark = pack_mark(action), .strong = action == ACTION_NOW};
}

enum paper pack_paper(const struct site *site)
{
    return site && site->paper && strcasecmp(site->paper, "letter") == 0 ? PAPER_LETTER : PAPER_A4;
}

/* Documents */

static uint32_t fingerprint(const char *text)
{
    uint32_t hash = 2166136261u; /* FNV-1a */
    for (; *text; text++)
        hash = (hash ^ (unsigned char)*text) * 16777619u;
    return hash;
}

/* Letters, digits, dot, hyphen and low line; two keys that would look alike are told apart by a fingerprint.
 */
static const char *file_word(struct arena *mem, const char *key)
{
    enum { KEPT = 60 };
    char *word = arena_printf(mem, "%.*s", KEPT, key);
    bool changed = strlen(key) > KEPT || !*key;

    for (char *c = word; *c; c++)
        if (!isascii(*c) || !(isalnum(*c) || strchr("-_", *c) || (*c == '.' && c != word))) {
            *c = '_';
            changed = true;
        }
    return changed ? arena_printf(mem, "%s_%08x", word, fingerprint(key)) : word;
}

static const char *scope_of(const struct site *site)
{
    return site ? site->site : "fleet";
}

bool pack_open(struct sheet *s, const struct pack_input *in, const struct site *site, const char *kind,
               const char *title, const char *subject, struct arena *mem, struct err *err)
{
    const struct fleet *fleet = in->assessment->fleet;
    char stamp[24];

    time_local(fleet->as_of_us, "UTC", "%Y%m%dT%H%MZ", stamp, sizeof stamp);
    const struct site *place = site ? site : fleet->site_count ? &fleet->sites[0] : NULL;
    const struct sheet_info info = {
        .paper = pack_paper(place),
        .title = title,
        .place = site ? arena_printf(mem, "%s (%s)", site->name, site->site) : "all sites",
        .as_of =
            arena_printf(mem, "Data as of %s (%s)", pack_moment(mem, fleet->as_of_us, site), zone_of(site)),
        .id = arena_printf(mem, "%s-%s-%s", scope_of(site), kind, stamp),
        .subject = subject,
        .keywords = "fans, drives, maintenance",
        .as_of_us = fleet->as_of_us,
    };
    if (!sheet_open(s, &info, mem, err))
        return false;
    sheet_page(s);
    return true;
}

bool pack_close(struct sheet *s, const struct pack_input *in, const struct site *site, const char *kind,
                const char *dir, struct arena *mem, const char **path, struct err *err)
{
    char week[16];

    time_local(in->assessment->fleet->as_of_us, zone_of(site), "%G-W%V", week, sizeof week);
    *path = arena_printf(mem, "%s/%s_%s_%s.pdf", dir, file_word(mem, scope_of(site)), kind, week);
    bool saved = sheet_save(s, *path, err);
    sheet_close(s);
    return saved;
}

/* Jobs */

const struct fan_risk *pack_worst_fan(const struct drive_risk *risk)
{
    const struct fan_risk *worst = risk->fan_count ? &risk->fans[0] : NULL;

    for (size_t i = 1; i < risk->fan_count; i++) {
        double p = risk->fans[i].probability;
        if (!isnan(p) && (isnan(worst->probability) || p > worst->probability))
            worst = &risk->fans[i];
    }
    return worst;
}

const char *pack_job_id(struct arena *mem, const struct drive_risk *risk, int64_t as_of_us)
{
    const struct fan_risk *fan = pack_worst_fan(risk);
    char stamp[16];

    time_local(as_of_us, "UTC", "%Y%m%d", stamp, sizeof stamp);
    return arena_printf(mem, "%s-%s-%s-%s", risk->drive->machine->site->site, risk->drive->drive,
                        fan ? fan->fan->position : "drive", stamp);
}

int pack_on_hand(const struct fleet *fleet, const struct site *site, const struct part *part)
{
    for (size_t i = 0; part && i < fleet->stock_count; i++)
        if (fleet->stock[i].site == site && fleet->stock[i].part == part)
            return fleet->stock[i].on_hand;
    return -1;
}

size_t pack_jobs(const struct assessment *a, const struct site *site, struct sheet *s, struct job **jobs)
{
    size_t count = 0;

    *jobs = arena_array(s->mem, struct job, a->ranked_count + 1);
    for (enum action action = ACTION_NOW; action < ACTION_WATCH; action++)
        for (size_t i = 0; i < a->ranked_count; i++) {
            const struct drive_risk *risk = &a->ranked[i];
            if (risk->action != action || risk->drive->machine->site != site)
                continue;
            int target = count < PACK_MAX_JOBS ? pdf_target(s->pdf) : -1;
            (*jobs)[count++] = (struct job){risk, target};
        }
    return count;
}
