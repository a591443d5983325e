/*
 * Decoding with all checks against the bare parser: the feed against jansson, MTConnect against libxml2's
 * push parser; both read every speed.
 */
#include "bench.h"
#include "feed.h"
#include "mtconnect.h"
#include "plant.h"

#include <jansson.h>
#include <libxml/parser.h>

#include <stdlib.h>
#include <string.h>

enum { DOCUMENTS = 16, CHUNK = 16384 };

struct sample {
    const char *what;
    bool is_feed;
    uint32_t observations;
    struct buffer documents[DOCUMENTS];
};

typedef int64_t read_fn(const struct buffer *document);

static struct arena *mem;

static int64_t sum_of(const struct document *d)
{
    int64_t sum = 0;
    for (size_t k = 0; k < d->count; k++)
        sum += strtol(d->observations[k].value, NULL, 10);
    return sum;
}

static int64_t read_feed(const struct buffer *document)
{
    struct document d;
    struct err err = {0};
    arena_reset(mem);
    bench_must(feed_document(document->data, document->used, mem, &d, &err), &err);
    return sum_of(&d);
}

static int64_t read_mtconnect(const struct buffer *document)
{
    struct document d;
    struct err err = {0};
    arena_reset(mem);
    bench_must(mtconnect_document(document->data, document->used, mem, &d, &err), &err);
    return sum_of(&d);
}

static int64_t read_json(const struct buffer *document)
{
    json_error_t why;
    int64_t sum = 0;
    size_t k;
    json_t *observation, *root = json_loadb(document->data, document->used, 0, &why);
    json_array_foreach(json_object_get(root, "observations"), k, observation)
    {
        sum += json_integer_value(json_object_get(observation, "value"));
    }
    json_decref(root);
    return sum;
}

struct speeds {
    bool inside;
    char text[32];
    size_t used;
    int64_t sum;
};

static void on_start(void *context, const xmlChar *name, const xmlChar *prefix, const xmlChar *uri,
                     int namespaces, const xmlChar **declared, int attributes, int defaulted,
                     const xmlChar **values)
{
    (void)prefix, (void)uri, (void)namespaces, (void)declared, (void)attributes, (void)defaulted,
        (void)values;
    struct speeds *s = context;
    s->inside = strcmp((const char *)name, "RotaryVelocity") == 0;
    s->used = 0;
}

static void on_text(void *context, const xmlChar *bytes, int length)
{
    struct speeds *s = context;
    if (!s->inside || s->used + (size_t)length >= sizeof s->text)
        return;
    memcpy(s->text + s->used, bytes, (size_t)length);
    s->used += (size_t)length;
}

static void on_end(void *context, const xmlChar *name, const xmlChar *prefix, const xmlChar *uri)
{
    (void)name, (void)prefix, (void)uri;
    struct speeds *s = context;
    s->text[s->used] = '\0';
    if (s->inside)
        s->sum += strtol(s->text, NULL, 10);
    s->inside = false;
}

static int64_t read_xml(const struct buffer *document)
{
    xmlSAXHandler handler = {.initialized = XML_SAX2_MAGIC,
                             .startElementNs = on_start,
                             .characters = on_text,
                             .endElementNs = on_end};
    struct speeds s = {0};
    xmlParserCtxtPtr parser = xmlCreatePushParserCtxt(&handler, &s, NULL, 0, NULL);
    for (size_t at = 0; at < document->used; at += CHUNK) {
        size_t n = document->used - at < CHUNK ? document->used - at : CHUNK;
        xmlParseChunk(parser, document->data + at, (int)n, 0);
    }
    xmlParseChunk(parser, NULL, 0, 1);
    xmlFreeParserCtxt(parser);
    return s.sum;
}

/* CPU seconds of one document. */
static double time_of(read_fn *reads, const struct sample *s, int64_t *sum)
{
    double began = bench_cpu_s(), end = began, at_least = bench_size(0.1, 0.5);
    size_t n = 0;
    for (*sum = 0; end - began < at_least; end = bench_cpu_s())
        for (size_t k = 0; k < DOCUMENTS; k++, n++)
            *sum += reads(&s->documents[k]);
    *sum /= (int64_t)(n / DOCUMENTS);
    return (end - began) / (double)n;
}

static void write_documents(struct sample *s)
{
    const struct plant p = {.fans = 100, .begins_us = 1790000000 * US_PER_S, .period_us = 10 * US_PER_S};
    for (uint32_t k = 0; k < DOCUMENTS; k++) {
        const struct plant_page page = {.source = k,
                                        .first = 1000001,
                                        .last = 1000000 + s->observations,
                                        .newest = 1000000 + s->observations,
                                        .now_us = p.begins_us + 100000 * p.period_us};
        (s->is_feed ? plant_feed : plant_mtconnect)(&p, &page, &s->documents[k]);
    }
}

/* Returns our seconds for a document. */
static double compare(struct sample *s)
{
    double ours[BENCH_ROUNDS], bare[BENCH_ROUNDS];
    write_documents(s);
    double mb = (double)s->documents[0].used / 1e6;
    for (int k = 0; k < BENCH_ROUNDS; k++) {
        int64_t our_sum, bare_sum;
        ours[k] = time_of(s->is_feed ? read_feed : read_mtconnect, s, &our_sum);
        bare[k] = time_of(s->is_feed ? read_json : read_xml, s, &bare_sum);
        if (our_sum != bare_sum)
            bench_fail("%s: the two readers do not read the same", s->what);
    }
    double our_s = bench_median(ours, BENCH_ROUNDS);
    const struct bench_figure f = {.what = s->what,
                                   .figure = mb / our_s,
                                   .unit = "MB/s",
                                   .limit = s->is_feed ? "bare jansson" : "bare libxml2 push parser",
                                   .limit_figure = mb / bench_median(bare, BENCH_ROUNDS),
                                   .aim = AIM_AT_LEAST,
                                   .target = 0.8};
    bench_tell(&f);
    for (size_t k = 0; k < DOCUMENTS; k++)
        buffer_free(&s->documents[k]);
    return our_s;
}

int main(int argc, char **argv)
{
    struct sample samples[] = {
        {.what = "decode.feed.4", .is_feed = true, .observations = 4},
        {.what = "decode.feed.100", .is_feed = true, .observations = 100},
        {.what = "decode.feed.1000", .is_feed = true, .observations = 1000},
        {.what = "decode.feed.10000", .is_feed = true, .observations = 10000},
        {.what = "decode.mtconnect.16", .observations = 16},
        {.what = "decode.mtconnect.100", .observations = 100},
        {.what = "decode.mtconnect.1000", .observations = 1000},
        {.what = "decode.mtconnect.10000", .observations = 10000},
    };
    bench_begin(argc, argv);
    mem = arena_new((size_t)1 << 30);
    double took[sizeof samples / sizeof *samples];
    for (size_t k = 0; k < sizeof samples / sizeof *samples; k++)
        took[k] = compare(&samples[k]);
    bench_tell_growth("decode.feed", took[2], took[3]);
    bench_tell_growth("decode.mtconnect", took[6], took[7]);
    arena_free(mem);
}
