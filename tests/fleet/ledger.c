#include "files.h"

struct ledger {
    struct out readings, conditions, events;
};

static void key(struct out *o, const struct view *v, const struct item *item, uint64_t number)
{
    out_text(o, v->source->source);
    out_text(o, ",");
    out_text(o, v->instance->id);
    out_text(o, ",");
    out_int(o, (int64_t)number);
    out_text(o, ",");
    out_text(o, v->source->devices[item->device].uuid);
    out_text(o, ",");
    out_text(o, item->id);
    out_text(o, ",");
}

static void moment_and_comma(struct out *o, const struct view *v, const struct observation *seen)
{
    moment_out(o, published_ms(v->source, seen), MOMENT_MILLI);
    out_text(o, ",");
}

static void reading(struct out *o, const struct view *v, const struct observation *seen, struct bound b)
{
    out_text(o, b.drive);
    out_text(o, ",");
    out_text(o, b.position);
    out_text(o, ",");
    moment_and_comma(o, v, seen);
    if (seen->state == STATE_VALUE)
        out_int(o, seen->value);
    out_text(o, ",");
}

static void condition(struct out *o, const struct view *v, const struct observation *seen, struct bound b,
                      const char *type)
{
    const struct detail *d = observation_detail(v, seen);
    bool active = seen->state == STATE_WARNING || seen->state == STATE_ALARM;
    struct out text = {0};
    char id[16];

    out_field(o, b.drive, ',');
    out_field(o, b.axis, ',');
    moment_and_comma(o, v, seen);
    out_field(o, state_word(seen->state), ',');
    out_field(o, d ? d->native->code : NULL, ',');
    out_field(o, detail_id(v->source, seen, d, id) ? id : NULL, ',');
    out_field(o, d && active ? d->native->severity : NULL, ',');
    out_field(o, active && type[0] == 'R' && v->source->style != STYLE_FEED ? "LOW" : NULL, ',');
    if (d && active)
        detail_text(&text, d);
    out_bytes(&text, "", 1);
    out_field(o, text.data, ',');
    out_close(&text);
}

static void entry(struct ledger *l, const struct fleet *f, const struct view *v, uint64_t number)
{
    const struct observation *seen = v->instance->at + number - 1;
    const struct item *item = v->source->items + seen->item;
    struct bound b = binding_of(f, item);
    struct out *o = item->kind == ITEM_SPEED       ? &l->readings
                    : item->kind == ITEM_CONDITION ? &l->conditions
                                                   : &l->events;

    if (!b.role || v->source->devices[item->device].machine == NONE)
        return;
    key(o, v, item, number);
    if (item->kind == ITEM_SPEED) {
        reading(o, v, seen, b);
    } else if (item->kind == ITEM_CONDITION) {
        condition(o, v, seen, b, item->type);
    } else {
        out_field(o, b.role, ',');
        moment_and_comma(o, v, seen);
        out_field(o, seen->state == STATE_VALUE ? word_text(seen->value) : NULL, ',');
    }
    out_text(o, v->instance->readable[number - 1] ? "yes\n" : "no\n");
}

static void write_gaps(const struct world *w, const char *dir)
{
    struct out o = out_to_file(dir, "ledger", "gaps.csv");

    out_text(&o, "source,instance,from_sequence,to_sequence,reason\n");
    for (size_t s = 0; s < w->fleet->source_count; s++) {
        struct view then = record_view(w, (int)s, w->fleet->first_read_ms);
        struct view now = record_view(w, (int)s, w->fleet->end_ms);

        if (now.instance != then.instance) /* how many followed nobody can know */
            out_format(&o, "%s,%s,%llu,,restart\n", then.source->source, then.instance->id,
                       (unsigned long long)then.last + 1);
        else if (now.first > then.last + 1)
            out_format(&o, "%s,%s,%llu,%llu,overrun\n", then.source->source, then.instance->id,
                       (unsigned long long)then.last + 1, (unsigned long long)now.first);
    }
    out_close(&o);
}

void ledger_write(const struct world *w, const char *dir)
{
    struct ledger l = {out_to_file(dir, "ledger", "readings.csv"),
                       out_to_file(dir, "ledger", "conditions.csv"),
                       out_to_file(dir, "ledger", "events.csv")};

    out_text(&l.readings, "source,instance,sequence,device,item,drive,position,read_at,rpm,readable\n");
    out_text(&l.conditions,
             "source,instance,sequence,device,item,drive,axis,occurred_at,state,native_code,condition_id,"
             "severity,qualifier,message,readable\n");
    out_text(&l.events, "source,instance,sequence,device,item,role,occurred_at,value,readable\n");
    for (size_t s = 0; s < w->fleet->source_count; s++)
        for (int i = 0; i < w->records[s].instance_count; i++) {
            struct view v = {.source = w->fleet->sources + s,
                             .record = w->records + s,
                             .instance = w->records[s].instances + i};

            for (uint64_t n = 1; n <= v.instance->count; n++)
                entry(&l, w->fleet, &v, n);
        }
    out_close(&l.readings);
    out_close(&l.conditions);
    out_close(&l.events);
    write_gaps(w, dir);
}
