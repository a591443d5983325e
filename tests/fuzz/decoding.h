/* Any bytes are either a document or refused; what is decoded keeps its promises. For both decoders of
 * sources. */
#ifndef TESTS_DECODING_H
#define TESTS_DECODING_H

#include "demand.h"
#include "observation.h"

typedef bool document_fn(const char *bytes, size_t size, struct arena *mem, struct document *out,
                         struct err *err);
typedef bool model_fn(const char *bytes, size_t size, struct arena *mem, struct model *out, struct err *err);

static void check_document(const struct document *d)
{
    for (size_t k = 0; k < d->count; k++) {
        const struct observation *o = &d->observations[k];
        demand(o->sequence >= 1 && o->sequence <= INT64_MAX, "sequences lie between 1 and 2^63-1");
        demand(!k || d->observations[k - 1].sequence < o->sequence, "sequences rise");
        demand(*o->device && *o->item && o->type, "an observation has a device, an item and a type");
        demand(o->value || o->category != CATEGORY_CONDITION || o->state == STATE_UNAVAILABLE,
               "a condition without a text is unavailable");
    }
    for (size_t k = 0; k < d->refused; k++)
        demand(d->refusals[k].item && *d->refusals[k].reason, "a refusal has an item and a reason");
    demand(d->kind != DOCUMENT_ERROR || (d->error != SOURCE_ERROR_NONE && d->error_text),
           "an error document has an error");
}

static void check_decoder(document_fn *decode_document, model_fn *decode_model, const uint8_t *data,
                          size_t size)
{
    struct arena *mem = arena_new((size_t)1 << 30);
    struct err err = {0};
    struct document document;
    struct model model;

    if (decode_document((const char *)data, size, mem, &document, &err))
        check_document(&document);
    else
        demand(err.kind == ERR_INPUT && *err.text, "a refused document has a reason");
    err_clear(&err);
    if (decode_model((const char *)data, size, mem, &model, &err))
        for (size_t k = 0; k < model.count; k++)
            demand(*model.items[k].item && *model.items[k].device && model.items[k].path,
                   "an item of a model has a name, a device and a path");
    else
        demand(err.kind == ERR_INPUT && *err.text, "a refused model has a reason");
    arena_free(mem);
}

#endif
