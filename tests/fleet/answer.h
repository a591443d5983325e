/*
 * Answers of the sources, as bytes. A request is a query on one view; what is out of range becomes the
 * format's own error document.
 */
#ifndef FLEET_ANSWER_H
#define FLEET_ANSWER_H

#include "record.h"

enum request_kind { REQUEST_PROBE, REQUEST_CURRENT, REQUEST_SAMPLE };

struct request {
    enum request_kind kind;
    int device;                         /* index, NONE: all */
    const char *from, *count, *to, *at; /* as sent; NULL when not given */
    const char *path;
};

/* What is to be shown, or why not. */
struct page {
    uint64_t *numbers;
    size_t count;
    uint64_t next;
    unsigned status;        /* of HTTP */
    const char *error_code; /* NULL: none; as MTConnect has it */
    const char *error_text;
};

struct page page_of(const struct view *v, const struct request *request);

void mtconnect_streams(struct out *o, const struct view *v, const struct page *page);
void mtconnect_error(struct out *o, const struct view *v, const char *code, const char *text);
void mtconnect_probe(struct out *o, const struct fleet *f, const struct view *v, int device);
/* Head of every document: declaration, root with its namespaces, Header. */
void mtconnect_begin(struct out *o, const struct view *v, const char *kind, uint64_t next);
void feed_observations(struct out *o, const struct view *v, const struct page *page);
void feed_error(struct out *o, const struct view *v, const char *code, const char *text);
void feed_probe(struct out *o, const struct view *v);
/* Names from the device down, "CAM-01/d2". */
void component_path(struct out *o, const struct source *s, int component);

#endif
