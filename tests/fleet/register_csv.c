#include "files.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void number(struct out *o, double value, int digits, char separator)
{
    out_format(o, "%.*f%c", digits, value, separator);
}

static void day(struct out *o, int64_t ms, char separator)
{
    moment_out_day(o, ms);
    out_bytes(o, &separator, 1);
}

/* yes, no, or nothing where nobody knows. */
static void yes_no(struct out *o, bool known, bool yes, char separator)
{
    out_field(o, !known ? NULL : yes ? "yes" : "no", separator);
}

static void write_sites(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "sites.csv");

    out_text(&o, "site,name,time_zone,paper,email,lockout_procedure\n");
    for (size_t i = 0; i < f->site_count; i++) {
        const struct site *s = f->sites + i;

        out_field(&o, s->site, ',');
        out_field(&o, s->name, ',');
        out_field(&o, s->time_zone, ',');
        out_field(&o, s->paper, ',');
        out_field(&o, s->email, ',');
        out_field(&o, s->lockout_procedure, '\n');
    }
    out_close(&o);
}

static void write_machines(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "machines.csv");

    out_text(&o, "machine,site,name,location,controller,asset_number,stop_cost_per_hour,currency,stop_hours,"
                 "lockout_procedure\n");
    for (size_t i = 0; i < f->machine_count; i++) {
        const struct machine *m = f->machines + i;

        out_field(&o, m->machine, ',');
        out_field(&o, f->sites[m->site].site, ',');
        out_field(&o, m->name, ',');
        out_field(&o, m->location, ',');
        out_field(&o, f->families[m->family].controller, ',');
        out_field(&o, m->asset_number, ',');
        if (m->stop_cost_per_hour > 0)
            out_format(&o, "%.2f,EUR,", m->stop_cost_per_hour);
        else
            out_text(&o, ",,");
        number(&o, m->stop_hours, 1, ',');
        out_field(&o, i % 9 == 4 ? "own sheet at the cabinet" : NULL, '\n');
    }
    out_close(&o);
}

static void write_drive_models(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "drive_models.csv");

    out_text(&o, "drive_model,description,reports_speed,internal_fans,warning_to_alarm_s\n");
    for (size_t i = 0; i < f->drive_model_count; i++) {
        const struct drive_model *d = f->drive_models + i;

        out_field(&o, d->drive_model, ',');
        out_field(&o, d->description, ',');
        yes_no(&o, true, d->reports_speed, ',');
        out_format(&o, "%d,%d\n", d->internal_fans, d->warning_to_alarm_s);
    }
    out_close(&o);
}

static void write_drives(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "drives.csv");

    out_text(&o,
             "drive,machine,drive_model,cabinet_slot,serial,waiting_time_min,obstructed,warning_hidden\n");
    for (size_t i = 0; i < f->drive_count; i++) {
        const struct drive *d = f->drives + i;

        out_field(&o, d->drive, ',');
        out_field(&o, f->machines[d->machine].machine, ',');
        out_field(&o, f->drive_models[d->model].drive_model, ',');
        out_field(&o, d->cabinet_slot, ',');
        out_field(&o, d->serial, ',');
        if (i % 13 == 6)
            out_text(&o, ","); /* nobody has read the label yet */
        else
            out_format(&o, "%d,", f->drive_models[d->model].waiting_min);
        yes_no(&o, i % 5 != 3, i % 11 == 0, ',');
        yes_no(&o, d->hidden_is_known, d->warning_hidden, '\n');
    }
    out_close(&o);
}

static void write_axes(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "axes.csv");

    out_text(&o, "axis,machine,drive\n");
    for (size_t i = 0; i < f->axis_count; i++) {
        const struct axis *a = f->axes + i;

        out_field(&o, a->axis, ',');
        out_field(&o, f->machines[a->machine].machine, ',');
        out_field(&o, a->drive_is_known ? f->drives[a->drive].drive : NULL, '\n');
    }
    out_close(&o);
}

static void write_fan_models(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "fan_models.csv");

    out_text(&o, "fan_model,part,rated_rpm,warning_rpm,l10_hours,l10_temperature_c\n");
    for (size_t i = 0; i < f->fan_model_count; i++) {
        const struct fan_model *m = f->fan_models + i;

        out_field(&o, m->fan_model, ',');
        out_field(&o, m->part, ',');
        out_format(&o, "%d,%d,%d,%.0f\n", m->rated_rpm, m->warning_rpm, m->l10_hours, m->l10_temperature_c);
    }
    out_close(&o);
}

static void fitment(struct out *o, const char *drive_model, enum position p, const char *fan_model)
{
    if (!fan_model)
        return;
    out_field(o, drive_model, ',');
    out_field(o, position_word(p), ',');
    out_field(o, fan_model, '\n');
}

static void write_fitments(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "fitments.csv");

    out_text(&o, "drive_model,position,fan_model\n");
    for (size_t i = 0; i < f->drive_model_count; i++) {
        const struct drive_model *d = f->drive_models + i;

        for (int p = 0; p < d->internal_fans; p++) {
            fitment(&o, d->drive_model, (enum position)p, d->internal_fan);
            fitment(&o, d->drive_model, (enum position)p, d->newer_internal_fan);
        }
        if (d->heat_sink)
            fitment(&o, d->drive_model, HEAT_SINK, d->heat_sink_fan);
    }
    out_close(&o);
}

/* Most sheets still name the fan from before the last replacement. */
static void write_fans(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "fans.csv");

    out_text(&o, "drive,position,fan_model,installed_on,hours_at_install\n");
    for (size_t i = 0; i < f->fan_count; i++) {
        const struct fan *fan = f->fans + i;
        const struct unit *u = fan->register_is_late ? fan->units : fan->units + fan->unit_count - 1;

        out_field(&o, f->drives[fan->drive].drive, ',');
        out_field(&o, position_word(fan->position), ',');
        out_field(&o, f->fan_models[u->model].fan_model, ',');
        if (fan->install_is_known)
            day(&o, u->from_ms, ',');
        else
            out_text(&o, ",");
        if (u == fan->units && fan->hours_at_install && fan->install_is_known)
            out_int(&o, fan->hours_at_install);
        out_text(&o, "\n");
    }
    out_close(&o);
}

static void write_parts(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "parts.csv");

    out_text(
        &o,
        "part,description,unit_price,currency,lead_time_days,lead_time_sd_days,order_multiple,minimum_order,"
        "supersedes,last_order_on\n");
    for (size_t i = 0; i < f->part_count; i++) {
        const struct part *p = f->parts + i;

        out_field(&o, p->part, ',');
        out_field(&o, p->description, ',');
        out_format(&o, "%.2f,EUR,%d,%d,%d,%d,", p->unit_price, p->lead_time_days, p->lead_time_sd_days,
                   p->order_multiple, p->minimum_order);
        out_field(&o, p->supersedes, ',');
        if (i == 0) /* the old 40 mm fan runs out */
            day(&o, f->end_ms + 45 * MS_PER_DAY, '\n');
        else
            out_text(&o, "\n");
    }
    out_close(&o);
}

static void write_stock(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "stock.csv");
    gsl_rng *dice = dice_new(f->options.seed, DICE_STOCK, 0);

    out_text(&o, "site,part,on_hand,on_order,due_on,counted_on\n");
    for (size_t s = 0; s < f->site_count; s++)
        for (size_t p = 0; p < f->part_count; p++) {
            int on_hand = dice_whole(dice, 0, f->parts[p].usual_stock);
            bool ordered = dice_chance(dice, 0.2);

            out_field(&o, f->sites[s].site, ',');
            out_field(&o, f->parts[p].part, ',');
            out_format(&o, "%d,%d,", on_hand, ordered ? f->parts[p].minimum_order : 0);
            if (ordered)
                day(&o, f->end_ms + dice_whole(dice, 2, f->parts[p].lead_time_days) * MS_PER_DAY, ',');
            else
                out_text(&o, ",");
            day(&o, f->end_ms - dice_whole(dice, 1, 20) * MS_PER_DAY, '\n');
        }
    gsl_rng_free(dice);
    out_close(&o);
}

static void write_sources(const struct fleet *f, const char *dir, const char *base_url)
{
    struct out o = out_to_file(dir, "register", "sources.csv");

    out_text(&o, "source,site,url,format,period_s,credential\n");
    for (size_t i = 0; i < f->source_count; i++) {
        const struct source *s = f->sources + i;

        out_format(&o, "%s,%s,%s/%s,%s,10,\n", s->source, f->sites[s->site].site, base_url, s->source,
                   s->style == STYLE_FEED ? "feed" : "mtconnect");
    }
    out_close(&o);
}

struct bound binding_of(const struct fleet *f, const struct item *item)
{
    struct bound b = {0};

    switch (item->kind) {
    case ITEM_SPEED:
        b = (struct bound){"fan_speed", f->drives[item->drive].drive, NULL, position_word(item->position)};
        break;
    case ITEM_CONDITION:
        if (item->drive != NONE)
            return (struct bound){"drive_condition", f->drives[item->drive].drive, NULL, NULL};
        b.role = "axis_condition";
        b.axis = f->axes[item->axis].axis;
        b.drive = f->axes[item->axis].drive_is_known ? f->drives[f->axes[item->axis].drive].drive : NULL;
        break;
    case ITEM_AVAILABILITY:
        b.role = "availability";
        break;
    case ITEM_POWER:
        b.role = "power";
        break;
    case ITEM_MOTOR:
    case ITEM_CONNECTION:
        break;
    }
    return b;
}

static void write_bindings(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "bindings.csv");

    out_text(&o, "source,device,item,role,drive,position,axis\n");
    for (size_t i = 0; i < f->source_count; i++)
        for (size_t k = 0; k < f->sources[i].item_count; k++) {
            const struct source *s = f->sources + i;
            const struct item *item = s->items + k;
            struct bound b = binding_of(f, item);

            if (!b.role || s->devices[item->device].machine == NONE)
                continue;
            out_field(&o, s->source, ',');
            out_field(&o, s->devices[item->device].uuid, ',');
            out_field(&o, item->id, ',');
            out_field(&o, b.role, ',');
            out_field(&o, b.axis ? NULL : b.drive, ','); /* of an axis the register says it in axes.csv */
            out_field(&o, b.position, ',');
            out_field(&o, b.axis, '\n');
        }
    out_close(&o);
}

static void write_code_map(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "code_map.csv");

    out_text(&o, "controller,native_code,kind\n");
    for (size_t i = 0; i < f->family_count; i++)
        for (int c = 0; c < CODES; c++) {
            out_field(&o, f->families[i].controller, ',');
            out_field(&o, f->families[i].natives[c].code, ',');
            out_field(&o, f->families[i].natives[c].kind, '\n');
        }
    out_close(&o);
}

static int by_time(const void *a, const void *b)
{
    const struct work *x = a, *y = b;

    if (x->done_ms != y->done_ms)
        return x->done_ms < y->done_ms ? -1 : 1;
    return x->fan != y->fan ? x->fan - y->fan : strcmp(x->action, y->action);
}

static void write_work(const struct fleet *f, const char *dir)
{
    struct out o = out_to_file(dir, "register", "work.csv");

    qsort(f->works, f->work_count, sizeof *f->works, by_time);
    out_text(&o, "drive,position,done_at,action,reason,finding,technician,rpm_before,rpm_after,part,note\n");
    for (size_t i = 0; i < f->work_count; i++) {
        const struct work *w = f->works + i;

        out_field(&o, f->drives[f->fans[w->fan].drive].drive, ',');
        out_field(&o, position_word(f->fans[w->fan].position), ',');
        moment_out(&o, w->done_ms, MOMENT_SECOND);
        out_text(&o, ",");
        out_field(&o, w->action, ',');
        out_field(&o, w->reason, ',');
        out_field(&o, w->finding, ',');
        out_field(&o, w->technician, ',');
        if (w->rpm_before >= 0)
            out_format(&o, "%.0f", w->rpm_before);
        out_text(&o, ",");
        if (w->rpm_after >= 0)
            out_format(&o, "%.0f", w->rpm_after);
        out_text(&o, ",");
        out_field(&o, w->part, ',');
        out_field(&o, w->note, '\n');
    }
    out_close(&o);
}

void register_write(const struct fleet *f, const char *dir, const char *base_url)
{
    write_sites(f, dir);
    write_machines(f, dir);
    write_drive_models(f, dir);
    write_drives(f, dir);
    write_axes(f, dir);
    write_fan_models(f, dir);
    write_fitments(f, dir);
    write_fans(f, dir);
    write_parts(f, dir);
    write_stock(f, dir);
    write_sources(f, dir, base_url);
    write_bindings(f, dir);
    write_code_map(f, dir);
    write_work(f, dir);
}
