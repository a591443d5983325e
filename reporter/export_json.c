#include "export.h"
#include "export_values.h"

#include <math.h>
#include <string.h>

/* Lines of an item in a list of the outermost object. */
static int write_item(const char *bytes, size_t count, void *out)
{
    static const char indent[] = "    ";
    while (count) {
        const char *line_end = memchr(bytes, '\n', count);
        size_t n = line_end ? (size_t)(line_end - bytes) + 1 : count;
        if (fwrite(bytes, 1, n, out) != n || (line_end && fputs(indent, out) < 0))
            return -1;
        bytes += n;
        count -= n;
    }
    return 0;
}

/* One item at a time: the whole of a long list as a value takes more memory than all it is made from. */
static bool write_list(const char *name, const struct drive_risk *drives, size_t count,
                       json_t *(*item)(const struct drive_risk *d), FILE *out)
{
    bool ok = fprintf(out, ",\n  \"%s\": [", name) > 0;
    for (size_t i = 0; ok && i < count; i++) {
        json_t *value = item(&drives[i]);
        ok = fputs(i ? ",\n    " : "\n    ", out) >= 0 &&
             json_dump_callback(value, write_item, out, FORM) == 0;
        json_decref(value);
    }
    return ok && fputs(count ? "\n  ]" : "]", out) >= 0;
}

static json_t *causes_json(const double *weight)
{
    json_t *causes = json_object();
    for (int c = 0; c < CAUSE_COUNT; c++)
        if (weight[c] > 0)
            json_object_set_new(causes, cause_word((enum cause)c), number(weight[c]));
    return causes;
}

static json_t *fan_json(const struct fan_risk *f)
{
    json_t *o = json_object();
    json_object_set_new(o, "position", text(f->fan->position));
    json_object_set_new(o, "probability", number(f->probability));
    json_object_set_new(o, "rpm", number(f->rpm));
    json_object_set_new(o, "relative", number(f->relative));
    json_object_set_new(o, "days_to_warning", numbers(f->days_to_warning, 3));
    json_object_set_new(o, "rate_per_day", numbers(f->rate_per_day, 3));
    json_object_set_new(o, "not_falling", number(f->not_falling));
    json_object_set_new(o, "warning_rpm", number(f->warning_rpm));
    json_object_set_new(o, "warning_from", text(f->warning_from));
    json_object_set_new(o, "peer_relative", number(f->peer_relative));
    json_object_set_new(o, "from_trend", number(f->from_trend));
    json_object_set_new(o, "from_life", number(f->from_life));
    json_object_set_new(o, "from_events", number(f->from_events));
    json_object_set_new(o, "unknown", text(f->unknown));
    return o;
}

static json_t *drive_json(const struct drive_risk *d)
{
    const struct machine *m = d->drive->machine;
    json_t *o = json_object(), *reasons = json_array(), *fans = json_array();

    json_object_set_new(o, "drive", text(d->drive->drive));
    json_object_set_new(o, "machine", text(m->machine));
    json_object_set_new(o, "site", text(m->site->site));
    json_object_set_new(o, "probability", number(d->probability));
    json_object_set_new(o, "probability_interval", numbers(d->interval, 2));
    json_object_set_new(o, "machine_probability", number(d->machine_probability));
    json_object_set_new(o, "expected_cost", number(d->expected_cost));
    json_object_set_new(o, "currency", text(m->currency));
    json_object_set_new(o, "action", text(action_word(d->action)));
    for (size_t i = 0; i < d->reason_count; i++)
        json_array_append_new(reasons, text(d->reasons[i]));
    json_object_set_new(o, "reasons", reasons);
    json_object_set_new(o, "causes", causes_json(d->cause_weight));
    for (size_t i = 0; i < d->fan_count; i++)
        json_array_append_new(fans, fan_json(&d->fans[i]));
    json_object_set_new(o, "fans", fans);
    return o;
}

static json_t *unknown_json(const struct drive_risk *d)
{
    json_t *o = json_object();
    json_object_set_new(o, "drive", text(d->drive->drive));
    json_object_set_new(o, "why", text(d->unknown));
    return o;
}

bool export_rank_json(const struct assessment *a, FILE *out, struct err *err)
{
    char as_of[TIME_TEXT];
    time_format(a->fleet->as_of_us, as_of);
    const struct calibration *c = a->fleet->calibration;
    bool ok = fprintf(out, "{\n  \"as_of\": \"%s\",\n  \"horizon_days\": %d,\n  \"method\": \"%s\"", as_of,
                      a->horizon_days, forecast_method_word(c ? c->method : METHOD_SUM)) > 0 &&
              write_list("drives", a->ranked, a->ranked_count, drive_json, out) &&
              write_list("unknown", a->unknown, a->unknown_count, unknown_json, out) &&
              fputs("\n}", out) >= 0;
    return end_output(ok, out, err);
}

static json_t *quantiles_json(const struct distribution *d, const char *const *names, const double *q,
                              size_t n)
{
    json_t *o = json_object();
    for (size_t i = 0; i < n; i++)
        json_object_set_new(o, names[i], json_integer(distribution_quantile(d, q[i])));
    return o;
}

bool export_demand_json(const struct assessment *a, const struct demand *items, size_t count, FILE *out,
                        struct err *err)
{
    static const char *const names[] = {"0.5", "0.8", "0.95"};
    static const double q[] = {0.5, 0.8, 0.95};
    json_t *root = json_object(), *list = json_array();

    for (size_t i = 0; i < count; i++) {
        json_t *o = json_object();
        json_object_set_new(o, "part", text(items[i].part->part));
        json_object_set_new(o, "site", text(items[i].site ? items[i].site->site : NULL));
        json_object_set_new(o, "fans", json_integer(items[i].fans));
        json_object_set_new(o, "mean", number(distribution_mean(&items[i].count)));
        json_object_set_new(o, "quantiles", quantiles_json(&items[i].count, names, q, 3));
        json_array_append_new(list, o);
    }
    json_object_set_new(root, "as_of", moment(a->fleet->as_of_us));
    json_object_set_new(root, "horizon_days", json_integer(a->horizon_days));
    json_object_set_new(root, "items", list);
    return dump(root, out, err);
}

static json_t *rate_json(double rate)
{
    json_t *o = json_object();
    json_object_set_new(o, "rate", number(rate));
    return o;
}

bool export_history_json(const struct history_part *parts, size_t count, FILE *out, struct err *err)
{
    static const char *const names[] = {"0.5", "0.9", "0.95"};
    static const double q[] = {0.5, 0.9, 0.95};
    json_t *root = json_object(), *list = json_array();

    for (size_t i = 0; i < count; i++) {
        const struct demand_history *h = &parts[i].history;
        json_t *o = json_object(), *methods = json_object();
        json_object_set_new(methods, "croston", rate_json(h->croston));
        json_object_set_new(methods, "sba", rate_json(h->sba));
        json_object_set_new(methods, "tsb", rate_json(h->tsb));
        json_object_set_new(o, "part", text(parts[i].part));
        json_object_set_new(o, "class", text(demand_class_word(h->class)));
        json_object_set_new(o, "methods", methods);
        json_object_set_new(o, "chosen", text(h->chosen));
        json_object_set_new(o, "quantiles", quantiles_json(&h->count, names, q, 3));
        json_array_append_new(list, o);
    }
    json_object_set_new(root, "parts", list);
    return dump(root, out, err);
}

static json_t *line_json(const struct order_line *l)
{
    json_t *o = json_object(), *drives = json_array();
    json_object_set_new(o, "part", text(l->part->part));
    json_object_set_new(o, "site", text(l->site->site));
    json_object_set_new(o, "on_hand", json_integer(l->on_hand));
    json_object_set_new(o, "on_order", json_integer(l->on_order));
    json_object_set_new(o, "span_days", number(l->span_days));
    json_object_set_new(o, "mean", number(l->mean));
    json_object_set_new(o, "quantile", json_integer(l->quantile));
    json_object_set_new(o, "base_stock", json_integer(l->base_stock));
    json_object_set_new(o, "order", json_integer(l->order));
    json_object_set_new(o, "order_by", day(l->order_by_day));
    json_object_set_new(o, "cost", l->cost_minor < 0 ? json_null() : json_real((double)l->cost_minor / 100));
    json_object_set_new(o, "currency", text(l->part->currency));
    json_object_set_new(o, "service_without", number(l->service_without));
    json_object_set_new(o, "service_with", number(l->service_with));
    json_object_set_new(o, "why", text(l->why));
    for (size_t i = 0; i < l->drive_count; i++)
        json_array_append_new(drives, text(l->drives[i]->drive->drive));
    json_object_set_new(o, "drives", drives);
    return o;
}

bool export_stock_json(const struct assessment *a, double service, const struct order_line *lines,
                       size_t count, FILE *out, struct err *err)
{
    json_t *root = json_object(), *list = json_array();

    for (size_t i = 0; i < count; i++)
        json_array_append_new(list, line_json(&lines[i]));
    json_object_set_new(root, "as_of", moment(a->fleet->as_of_us));
    json_object_set_new(root, "service", number(service));
    json_object_set_new(root, "lines", list);
    return dump(root, out, err);
}

bool export_files_json(int64_t as_of_us, const char *const *paths, size_t count, FILE *out, struct err *err)
{
    json_t *root = json_object(), *list = json_array();

    for (size_t i = 0; i < count; i++)
        json_array_append_new(list, text(paths[i]));
    json_object_set_new(root, "as_of", moment(as_of_us));
    json_object_set_new(root, "files", list);
    return dump(root, out, err);
}
