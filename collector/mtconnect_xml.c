#include "mtconnect_xml.h"

#include <libxml/parser.h>
#include <libxml/parserInternals.h>

#include <ctype.h>
#include <string.h>
#include <strings.h>

_Static_assert(ATTR_COUNT <= 64, "the bits of 'given'");

enum { CHUNK_BYTES = 16 * 1024, NAME_SLOTS = 256, NOT_WANTED = -1 };

/*
 * Local names come out of the parser's dictionary: one pointer a name. So a name is looked up by text only
 * when its pointer is new (or has lost its slot to another).
 */
struct name_slot {
    const xmlChar *name;
    int id;
};

struct reader {
    xmlParserCtxtPtr parser;
    const struct xml_handler *handler;
    void *context;
    struct err *err;
    int lines_cut;    /* before the document proper */
    size_t happening; /* counts what the parser tells */
    bool finished;    /* the root element was read to its end */
    int depth;
    int place[XML_MAX_DEPTH + 1];
    struct xml_element element;
    struct name_slot tags[NAME_SLOTS], attributes[NAME_SLOTS];
};

#define NAME_TEXT(name) #name,
static const char *const tag_names[] = {XML_TAGS(NAME_TEXT)};
static const char *const attribute_names[] = {XML_ATTRIBUTES(NAME_TEXT)};

static struct name_slot *slot_of(struct name_slot *slots, const xmlChar *name)
{
    return &slots[((uintptr_t)name * UINT64_C(0x9e3779b97f4a7c15)) >> 56];
}

static int tag_id(struct reader *r, const xmlChar *name)
{
    struct name_slot *slot = slot_of(r->tags, name);
    if (slot->name == name)
        return slot->id;
    int id = 0;
    while (id < TAG_OTHER && strcmp(tag_names[id], (const char *)name) != 0)
        id++;
    *slot = (struct name_slot){.name = name, .id = id};
    return id;
}

/* Without regard to case: "nativecode" is met in the standard's own example. Ours begin with a small letter.
 */
static int attribute_id(struct reader *r, const xmlChar *name)
{
    struct name_slot *slot = slot_of(r->attributes, name);
    if (slot->name == name)
        return slot->id;
    int id = 0, first = tolower(*name);
    while (id < ATTR_COUNT &&
           (*attribute_names[id] != first || strcasecmp(attribute_names[id], (const char *)name) != 0))
        id++;
    if (id == ATTR_COUNT)
        id = NOT_WANTED;
    *slot = (struct name_slot){.name = name, .id = id};
    return id;
}

/* Puts the place before the text and ends the parsing. */
static void stop(struct reader *r)
{
    err_in(r->err, "line %d, column %d", r->lines_cut + xmlSAX2GetLineNumber(r->parser),
           xmlSAX2GetColumnNumber(r->parser));
    xmlStopParser(r->parser);
}

/* libxml2 hands over five pointers an attribute: local name, prefix, namespace, begin and end of the value.
 */
static bool take_attributes(struct reader *r, int count, const xmlChar **attributes)
{
    if (count > XML_MAX_ATTRIBUTES)
        return err_set(r->err, ERR_INPUT, "an element has more than %d attributes", XML_MAX_ATTRIBUTES);
    r->element.given = 0;
    for (int k = 0; k < count; k++, attributes += 5) {
        size_t length = (size_t)(attributes[4] - attributes[3]);
        if (length > XML_MAX_ATTRIBUTE_BYTES)
            return err_set(r->err, ERR_INPUT, "attribute '%.64s' is longer than %d bytes",
                           (const char *)attributes[0], XML_MAX_ATTRIBUTE_BYTES);
        int id = attributes[1] ? NOT_WANTED : attribute_id(r, attributes[0]);
        if (id == NOT_WANTED)
            continue;
        r->element.given |= UINT64_C(1) << id;
        r->element.attribute[id] = (struct xml_span){.at = (const char *)attributes[3], .length = length};
    }
    return true;
}

/* The parser's dictionary has lists that only grow longer: a million names in it would take minutes. */
static bool names_are_few(struct reader *r)
{
    return xmlDictSize(r->parser->dict) <= XML_MAX_NAMES ||
           err_set(r->err, ERR_INPUT, "there are more than %d different names", XML_MAX_NAMES);
}

static void on_start(void *data, const xmlChar *name, const xmlChar *prefix, const xmlChar *uri,
                     int namespaces, const xmlChar **namespace_list, int attribute_count, int defaulted,
                     const xmlChar **attributes)
{
    struct reader *r = data;
    (void)prefix, (void)uri, (void)namespaces, (void)namespace_list, (void)defaulted;

    r->happening++;
    if (r->depth == XML_MAX_DEPTH) {
        err_set(r->err, ERR_INPUT, "elements stand more than %d deep", XML_MAX_DEPTH);
        stop(r);
        return;
    }
    int parent = r->place[r->depth], place = XML_PASS_OVER;
    bool fine = names_are_few(r) && take_attributes(r, attribute_count, attributes);
    if (fine && parent != XML_PASS_OVER) {
        r->element.name = (const char *)name;
        r->element.tag = (enum xml_tag)tag_id(r, name);
        fine = r->handler->start(r->context, parent, &r->element, &place, r->err);
    }
    r->place[++r->depth] = place;
    if (!fine)
        stop(r);
}

static void on_end(void *data, const xmlChar *name, const xmlChar *prefix, const xmlChar *uri)
{
    struct reader *r = data;
    (void)name, (void)prefix, (void)uri;

    r->happening++;
    int place = r->place[r->depth--];
    r->finished = r->depth == 0;
    if (place != XML_PASS_OVER)
        r->handler->end(r->context, place);
}

static void on_text(void *data, const xmlChar *bytes, int length)
{
    struct reader *r = data;
    r->happening++;
    if (r->place[r->depth] != XML_PASS_OVER)
        r->handler->text(r->context, r->place[r->depth], (const char *)bytes, (size_t)length);
}

static void on_doctype(void *data, const xmlChar *name, const xmlChar *external_id, const xmlChar *system_id)
{
    struct reader *r = data;
    (void)name, (void)external_id, (void)system_id;
    err_set(r->err, ERR_INPUT, "a document type definition is not accepted");
    stop(r);
}

/* Undeclared prefixes and the like are no reason to refuse; only what breaks the document is. */
static void on_error(void *data, xmlErrorPtr e)
{
    struct reader *r = data;
    if (e->level != XML_ERR_FATAL || r->err->kind != ERR_NONE)
        return;
    if (e->code == XML_ERR_NO_MEMORY) {
        err_set(r->err, ERR_SYSTEM, "out of memory while reading XML");
        return;
    }
    const char *message = e->message ? e->message : "not well-formed";
    bool placed = e->domain == XML_FROM_PARSER;
    err_set(r->err, ERR_INPUT, "line %d, column %d: %.*s",
            r->lines_cut + (placed ? e->line : xmlSAX2GetLineNumber(r->parser)),
            placed ? e->int2 : xmlSAX2GetColumnNumber(r->parser), (int)strcspn(message, "\n"), message);
}

/* A byte order mark and blanks before "<?xml", which XML forbids and publishers send. */
static size_t blank_prefix(const char *bytes, size_t size, int *lines)
{
    size_t n = size >= 3 && memcmp(bytes, "\xef\xbb\xbf", 3) == 0 ? 3 : 0;
    for (; n < size && bytes[n] && strchr(" \t\r\n", bytes[n]); n++)
        *lines += bytes[n] == '\n';
    return n;
}

/* The value of encoding="..." in an XML declaration written in bytes; empty when there is none. */
static void declared_encoding(const char *bytes, size_t size, char name[static 32])
{
    char head[256];
    size_t n = size < sizeof head ? size : sizeof head - 1;
    memcpy(head, bytes, n);
    head[n] = '\0';
    head[strcspn(head, ">")] = '\0';
    const char *at = strncmp(head, "<?xml", 5) == 0 ? strstr(head, "encoding") : NULL;
    at = at ? strpbrk(at, "\"'") : NULL;
    snprintf(name, 32, "%.*s", at ? (int)strcspn(at + 1, "\"'") : 0, at ? at + 1 : "");
}

/*
 * The encoding to convert from, NULL for UTF-8 and UTF-16. libxml2 itself ignores what is declared: "UTF8" is
 * met, and "utf-16" from publishers that print wide characters as bytes (what can be read as bytes is not
 * UTF-16); and every other name would open the C library's converters to whoever answers.
 */
static bool encoding_of(const char *bytes, size_t size, const char **encoding, struct err *err)
{
    static const char *const plain[] = {"", "US-ASCII", "ASCII"};
    static const char *const converted[] = {"ISO-8859-1", "ISO-8859-15", "WINDOWS-1252"};
    char name[32];
    declared_encoding(bytes, size, name);
    *encoding = NULL;
    if (strncasecmp(name, "utf", 3) == 0)
        return true;
    for (size_t k = 0; k < sizeof plain / sizeof *plain; k++)
        if (strcasecmp(name, plain[k]) == 0)
            return true;
    for (size_t k = 0; k < sizeof converted / sizeof *converted; k++)
        if (strcasecmp(name, converted[k]) == 0) {
            *encoding = converted[k];
            return true;
        }
    return err_set(err, ERR_INPUT, "line 1, column 1: encoding '%s' is not read", name);
}

/*
 * A tag is told only when it is whole, and its cost grows with the square of its attributes: so one that is
 * not done after XML_MAX_TAG_BYTES is refused before it is parsed.
 */
static void feed_chunks(struct reader *r, const char *bytes, size_t size)
{
    size_t quiet = 0;
    for (size_t at = 0; at < size && r->err->kind == ERR_NONE;) {
        size_t n = size - at < CHUNK_BYTES ? size - at : CHUNK_BYTES, before = r->happening;
        xmlParseChunk(r->parser, bytes + at, (int)n, 0);
        at += n;
        quiet = r->happening == before ? quiet + n : 0;
        if (quiet > XML_MAX_TAG_BYTES && r->err->kind == ERR_NONE) {
            err_set(r->err, ERR_INPUT, "a tag is longer than %d bytes", XML_MAX_TAG_BYTES);
            stop(r);
        }
    }
    if (r->err->kind == ERR_NONE)
        xmlParseChunk(r->parser, NULL, 0, 1);
    /* Out of memory, libxml2 may fall silent and still call what it has read well-formed. */
    if (r->err->kind == ERR_NONE && (!r->finished || !r->parser->wellFormed)) {
        err_set(r->err, ERR_INPUT, "the document could be read in part only");
        stop(r);
    }
}

/* UTF-16 with its mark, or the beginning of an XML declaration in it. */
static bool is_utf_16(const char *bytes, size_t size)
{
    static const char begins[][5] = {"<\0?", "\0<\0?"};
    return size >= 4 && (memcmp(bytes, "\xff\xfe", 2) == 0 || memcmp(bytes, "\xfe\xff", 2) == 0 ||
                         memcmp(bytes, begins[0], 4) == 0 || memcmp(bytes, begins[1], 4) == 0);
}

/* What libxml2 would take for UCS-4 or EBCDIC goes no further than here. */
static bool begins_like_xml(const char *bytes, size_t size)
{
    return is_utf_16(bytes, size) || (size >= 2 && bytes[0] == '<' && bytes[1]);
}

/* So many bytes tell whether the text is UTF-16. */
static size_t head_of(size_t size)
{
    return size < 4 ? 0 : 4;
}

static bool open_parser(struct reader *r, const char *bytes, size_t size, const char *encoding)
{
    static xmlSAXHandler sax = {
        .initialized = XML_SAX2_MAGIC,
        .startElementNs = on_start,
        .endElementNs = on_end,
        .characters = on_text,
        .ignorableWhitespace = on_text,
        .cdataBlock = on_text,
        .internalSubset = on_doctype,
        .serror = on_error,
    };
    r->parser = xmlCreatePushParserCtxt(&sax, r, bytes, (int)head_of(size), NULL);
    if (!r->parser)
        return false;
    xmlCtxtUseOptions(r->parser, XML_PARSE_NONET | XML_PARSE_IGNORE_ENC);
    /* Else "&amp;" in an attribute comes as "&#38;". Without a DTD there are no entities but XML's own. */
    r->parser->replaceEntities = 1;
    if (!encoding)
        return true;
    xmlCharEncodingHandlerPtr converter = xmlFindCharEncodingHandler(encoding);
    return converter && xmlSwitchToEncoding(r->parser, converter) == 0;
}

bool xml_read(const char *bytes, size_t size, const struct xml_handler *handler, void *context,
              struct err *err)
{
    struct reader r = {.handler = handler, .context = context, .err = err, .place = {XML_DOCUMENT}};

    size_t cut = blank_prefix(bytes, size, &r.lines_cut);
    bytes += cut;
    size -= cut;
    if (!size)
        return err_set(err, ERR_INPUT, "line 1, column 1: the document is empty");
    if (!begins_like_xml(bytes, size))
        return err_set(err, ERR_INPUT, "line %d, column 1: this is not XML: it does not begin with '<'",
                       r.lines_cut + 1);
    const char *encoding;
    if (!encoding_of(bytes, size, &encoding, err))
        return false;

    /* For what is said outside of any parser: while converting an encoding, or out of memory. */
    xmlSetStructuredErrorFunc(&r, on_error);
    if (open_parser(&r, bytes, size, encoding)) {
        feed_chunks(&r, bytes + head_of(size), size - head_of(size));
        xmlFreeDoc(r.parser->myDoc);
    } else {
        err_set(err, ERR_SYSTEM, "out of memory while reading XML");
    }
    xmlFreeParserCtxt(r.parser);
    xmlSetStructuredErrorFunc(NULL, NULL);
    return err->kind == ERR_NONE;
}
