#include "plant.h"

#include "base/clock.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* A long page is written in a few ms: what all its rows share is made once. */
struct writer {
    const struct plant *plant;
    const struct plant_page *page;
    struct buffer *out;
    int64_t second_us;
    char second[TIME_TEXT]; /* "2026-11-25T16:20:00" */
};

static void text(struct buffer *out, const char *s)
{
    buffer_add(out, s, strlen(s));
}

static PRINTF_LIKE(2, 3) void format(struct buffer *out, const char *fmt, ...)
{
    char line[1000];
    va_list args;
    va_start(args, fmt);
    int n = vsnprintf(line, sizeof line, fmt, args);
    va_end(args);
    buffer_add(out, line, (size_t)n);
}

static void number(struct buffer *out, uint64_t v)
{
    char digits[20];
    size_t n = sizeof digits;
    do
        digits[--n] = (char)('0' + v % 10);
    while (v /= 10);
    buffer_add(out, digits + n, sizeof digits - n);
}

static void moment(struct writer *w, int64_t us)
{
    int64_t second_us = us - us % US_PER_S, ms = us % US_PER_S / 1000;
    if (second_us != w->second_us) {
        time_format(second_us, w->second);
        w->second[strcspn(w->second, "Z")] = '\0';
        w->second_us = second_us;
    }
    char fraction[] = {'.', (char)('0' + ms / 100), (char)('0' + ms / 10 % 10), (char)('0' + ms % 10), 'Z'};
    text(w->out, w->second);
    buffer_add(w->out, fraction, sizeof fraction);
}

/* Steele, Lea and Flood, "Fast splittable pseudorandom number generators" (2014): the mixing of SplitMix. */
static uint64_t mix(uint64_t x)
{
    x += UINT64_C(0x9E3779B97F4A7C15);
    x = (x ^ (x >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    x = (x ^ (x >> 27)) * UINT64_C(0x94D049BB133111EB);
    return x ^ (x >> 31);
}

static int64_t phase_us(const struct plant *p, uint32_t source)
{
    return (int64_t)(mix(source) % (uint64_t)p->period_us) / 1000 * 1000;
}

struct spoken plant_says(const struct plant *p, uint32_t source, uint64_t sequence)
{
    uint64_t round = (sequence - 1) / p->fans;
    uint32_t fan = (uint32_t)((sequence - 1) % p->fans);
    uint64_t dice = mix(((uint64_t)source << 40) + sequence);
    int32_t base = 2200 + (int32_t)(mix(((uint64_t)source << 20) + fan) % 6000);
    int32_t noise = (int32_t)(dice % 8 + dice / 8 % 8 + dice / 64 % 8 + dice / 512 % 8) - 14;
    return (struct spoken){
        .fan = fan,
        .at_us = p->begins_us + phase_us(p, source) + (int64_t)round * p->period_us +
                 (int64_t)((dice >> 32) % PLANT_JITTER_MS) * 1000,
        .rpm = base + noise,
    };
}

uint64_t plant_sequence(const struct plant *p, uint32_t source, uint32_t fan, int64_t at_us)
{
    int64_t since_us = at_us - p->begins_us - phase_us(p, source);
    if (since_us < 0)
        return 0;
    uint64_t sequence = (uint64_t)(since_us / p->period_us) * p->fans + fan + 1;
    return plant_says(p, source, sequence).at_us == at_us ? sequence : 0;
}

uint64_t plant_newest(const struct plant *p, uint32_t source, int64_t now_us)
{
    int64_t since_us = now_us - PLANT_JITTER_MS * 1000 - p->begins_us - phase_us(p, source);
    return since_us < 0 ? 0 : ((uint64_t)(since_us / p->period_us) + 1) * p->fans;
}

/* Each as large as the source ever gets: it forgets nothing. */
static const uint64_t buffer_size = UINT64_C(1000000000000);

void plant_feed(const struct plant *p, const struct plant_page *page, struct buffer *out)
{
    struct writer w = {.plant = p, .page = page, .out = out, .second_us = -1};
    text(out, "{\"feed\": 1, \"instance\": \"1\", \"created\": \"");
    moment(&w, page->now_us);
    format(out,
           "\", \"buffer\": {\"size\": %" PRIu64 ", \"first\": %d, \"last\": %" PRIu64 ", \"next\": %" PRIu64
           "}, \"observations\": [",
           buffer_size, page->newest > 0, page->newest, page->last + 1);
    char device[40];
    snprintf(device, sizeof device, "\", \"device\": \"d%" PRIu32 "\", \"item\": \"f", page->source);
    for (uint64_t k = page->first; k <= page->last; k++) {
        struct spoken s = plant_says(p, page->source, k);
        text(out, k > page->first ? ",\n{\"sequence\": " : "\n{\"sequence\": ");
        number(out, k);
        text(out, ", \"time\": \"");
        moment(&w, s.at_us);
        text(out, device);
        number(out, s.fan);
        text(out, "\", \"value\": ");
        number(out, (uint64_t)s.rpm);
        text(out, "}");
    }
    text(out, "]}\n");
}

static void xml_frame(struct writer *w, const char *kind)
{
    struct buffer *out = w->out;
    format(out,
           "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<MTConnect%s "
           "xmlns=\"urn:mtconnect.org:MTConnect%s:2.0\">\n"
           "<Header sender=\"plant\" instanceId=\"1\" version=\"2.0.0.0\" bufferSize=\"%" PRIu64 "\"",
           kind, kind, buffer_size);
    if (w->page)
        format(out, " firstSequence=\"%d\" lastSequence=\"%" PRIu64 "\" nextSequence=\"%" PRIu64 "\"",
               w->page->newest > 0, w->page->newest, w->page->last + 1);
    text(out, " creationTime=\"");
    moment(w, w->page ? w->page->now_us : w->plant->begins_us);
    text(out, "\"/>\n");
}

/* A component holds the rows of one fan, so rows are gathered fan by fan. */
static void xml_fan(struct writer *w, uint32_t fan, uint64_t first)
{
    struct buffer *out = w->out;
    format(out,
           "<ComponentStream component=\"Fan\" name=\"f%" PRIu32 "\" componentId=\"c%" PRIu32
           "\">\n<Samples>\n",
           fan, fan);
    for (uint64_t k = first; k <= w->page->last; k += w->plant->fans) {
        struct spoken s = plant_says(w->plant, w->page->source, k);
        text(out, "<RotaryVelocity dataItemId=\"f");
        number(out, fan);
        text(out, "\" name=\"speed\" sequence=\"");
        number(out, k);
        text(out, "\" timestamp=\"");
        moment(w, s.at_us);
        text(out, "\" subType=\"ACTUAL\">");
        number(out, (uint64_t)s.rpm);
        text(out, "</RotaryVelocity>\n");
    }
    text(out, "</Samples>\n</ComponentStream>\n");
}

void plant_mtconnect(const struct plant *p, const struct plant_page *page, struct buffer *out)
{
    struct writer w = {.plant = p, .page = page, .out = out, .second_us = -1};
    xml_frame(&w, "Streams");
    format(out, "<Streams>\n<DeviceStream name=\"d%" PRIu32 "\" uuid=\"d%" PRIu32 "\">\n", page->source,
           page->source);
    for (uint64_t k = page->first; k <= page->last && k < page->first + p->fans; k++)
        xml_fan(&w, (uint32_t)((k - 1) % p->fans), k);
    text(out, "</DeviceStream>\n</Streams>\n</MTConnectStreams>\n");
}

void plant_feed_model(const struct plant *p, uint32_t source, struct buffer *out)
{
    struct writer w = {.plant = p, .out = out, .second_us = -1};
    text(out, "{\"feed\": 1, \"instance\": \"1\", \"created\": \"");
    moment(&w, p->begins_us);
    text(out, "\", \"items\": [");
    for (uint32_t fan = 0; fan < p->fans; fan++)
        format(out,
               "%s{\"device\": \"d%" PRIu32 "\", \"item\": \"f%" PRIu32
               "\", \"kind\": \"speed\", \"unit\": \"rpm\"}",
               fan ? "," : "", source, fan);
    text(out, "]}\n");
}

void plant_mtconnect_model(const struct plant *p, uint32_t source, struct buffer *out)
{
    struct writer w = {.plant = p, .out = out, .second_us = -1};
    xml_frame(&w, "Devices");
    format(out, "<Devices>\n<Device id=\"d\" name=\"d%" PRIu32 "\" uuid=\"d%" PRIu32 "\">\n<Components>\n",
           source, source);
    for (uint32_t fan = 0; fan < p->fans; fan++)
        format(
            out,
            "<Fan id=\"c%" PRIu32 "\" name=\"f%" PRIu32 "\"><DataItems><DataItem id=\"f%" PRIu32
            "\" category=\"SAMPLE\" type=\"ROTARY_VELOCITY\" subType=\"ACTUAL\" units=\"REVOLUTION/MINUTE\" "
            "name=\"speed\"/></DataItems></Fan>\n",
            fan, fan, fan);
    text(out, "</Components>\n</Device>\n</Devices>\n</MTConnectDevices>\n");
}
