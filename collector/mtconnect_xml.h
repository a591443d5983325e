/*
 * XML bytes to elements with the attributes that MTConnect uses. The only user of libxml2 (push SAX2).
 *
 * No DTD, no entities but XML's own five, no network, no message of libxml2 on standard error. Elements and
 * attributes go by their local names; attributes with a prefix (xsi:type) are not MTConnect's and are passed
 * over. Nesting, names, attributes and tags are limited; what is longer refuses the document.
 */
#ifndef COLLECTOR_MTCONNECT_XML_H
#define COLLECTOR_MTCONNECT_XML_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

enum {
    XML_MAX_DEPTH = 64,
    XML_MAX_ATTRIBUTES = 64,
    XML_MAX_NAMES = 10000, /* of elements, attributes and prefixes that differ */
    XML_MAX_ATTRIBUTE_BYTES = 4096,
    XML_MAX_TAG_BYTES = 64 * 1024
};

/* Every element and attribute that a decoder looks for: TAG_Header, ATTR_sequence, ... */
#define XML_TAGS(X)                                                                                          \
    X(Agent)                                                                                                 \
    X(Alarm)                                                                                                 \
    X(AlarmLimits)                                                                                           \
    X(Components)                                                                                            \
    X(ComponentStream)                                                                                       \
    X(Composition)                                                                                           \
    X(Compositions)                                                                                          \
    X(Condition)                                                                                             \
    X(Configuration)                                                                                         \
    X(Constraints)                                                                                           \
    X(DataItem)                                                                                              \
    X(DataItems)                                                                                             \
    X(Device)                                                                                                \
    X(Devices)                                                                                               \
    X(DeviceStream)                                                                                          \
    X(Entry)                                                                                                 \
    X(Error)                                                                                                 \
    X(ErrorMessage)                                                                                          \
    X(Errors)                                                                                                \
    X(Events)                                                                                                \
    X(Fault)                                                                                                 \
    X(Filter)                                                                                                \
    X(Filters)                                                                                               \
    X(Header)                                                                                                \
    X(LowerLimit)                                                                                            \
    X(LowerWarning)                                                                                          \
    X(Minimum)                                                                                               \
    X(MTConnectDevices)                                                                                      \
    X(MTConnectError)                                                                                        \
    X(MTConnectStreams)                                                                                      \
    X(Nominal)                                                                                               \
    X(Normal)                                                                                                \
    X(ProcessSpecification)                                                                                  \
    X(Samples)                                                                                               \
    X(Specification)                                                                                         \
    X(Specifications)                                                                                        \
    X(Streams)                                                                                               \
    X(Unavailable)                                                                                           \
    X(Warning)

#define XML_ATTRIBUTES(X)                                                                                    \
    X(bufferSize)                                                                                            \
    X(category)                                                                                              \
    X(code)                                                                                                  \
    X(compositionId)                                                                                         \
    X(compositionIdRef)                                                                                      \
    X(conditionId)                                                                                           \
    X(creationTime)                                                                                          \
    X(dataItemId)                                                                                            \
    X(dataItemIdRef)                                                                                         \
    X(deviceModelChangeTime)                                                                                 \
    X(errorCode)                                                                                             \
    X(firstSequence)                                                                                         \
    X(id)                                                                                                    \
    X(instanceId)                                                                                            \
    X(lastSequence)                                                                                          \
    X(name)                                                                                                  \
    X(nativeCode)                                                                                            \
    X(nativeSeverity)                                                                                        \
    X(nextSequence)                                                                                          \
    X(qualifier)                                                                                             \
    X(sampleInterval)                                                                                        \
    X(sequence)                                                                                              \
    X(severity)                                                                                              \
    X(state)                                                                                                 \
    X(statistic)                                                                                             \
    X(subType)                                                                                               \
    X(testIndicator)                                                                                         \
    X(timestamp)                                                                                             \
    X(type)                                                                                                  \
    X(units)                                                                                                 \
    X(uuid)                                                                                                  \
    X(version)

#define XML_TAG_ID(name) TAG_##name,
#define XML_ATTRIBUTE_ID(name) ATTR_##name,
enum xml_tag { XML_TAGS(XML_TAG_ID) TAG_OTHER };
enum xml_attribute { XML_ATTRIBUTES(XML_ATTRIBUTE_ID) ATTR_COUNT };

struct xml_span {
    const char *at; /* not ended by a NUL; NULL when not given */
    size_t length;
};

/* Lives until the start function returns, but for the name. */
struct xml_element {
    const char *name; /* local; the same pointer for the same name throughout one reading */
    enum xml_tag tag;
    uint64_t given;                        /* a bit an attribute */
    struct xml_span attribute[ATTR_COUNT]; /* those not given are not cleared */
};

static inline struct xml_span xml_attribute(const struct xml_element *e, enum xml_attribute id)
{
    return e->given >> id & 1 ? e->attribute[id] : (struct xml_span){.at = NULL, .length = 0};
}

/* A place is the reader's own number for where an element stands; these two are given. */
enum { XML_PASS_OVER = 0, XML_DOCUMENT = 1, XML_FIRST_PLACE = 2 };

struct xml_handler {
    /*
     * Says the place of an element that stands in the place 'parent' (XML_DOCUMENT for the root).
     * XML_PASS_OVER: nothing is heard of it or of what it holds. False refuses the document, *err is set.
     */
    bool (*start)(void *context, int parent, const struct xml_element *e, int *place, struct err *err);
    void (*text)(void *context, int place, const char *bytes, size_t length); /* may come in pieces */
    void (*end)(void *context, int place);
};

/* ERR_INPUT begins with "line 3, column 14: ". A byte order mark and blanks before the document are fine. */
MUST_USE bool xml_read(const char *bytes, size_t size, const struct xml_handler *handler, void *context,
                       struct err *err);

#endif
