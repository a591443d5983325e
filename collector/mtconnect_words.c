#include "mtconnect_words.h"

#include "base/text.h"

#include <ctype.h>
#include <string.h>

/* Capitals that belong together although a small letter follows. */
static const char *const whole_words[] = {"MTConnect", "XPath"};

static size_t whole_word(const char *at, size_t left)
{
    for (size_t k = 0; k < sizeof whole_words / sizeof *whole_words; k++) {
        size_t n = strlen(whole_words[k]);
        if (left >= n && memcmp(at, whole_words[k], n) == 0)
            return n;
    }
    return 0;
}

/* A word begins with a capital after a small letter or digit, or with the last of several capitals. */
static bool word_begins(const char *name, size_t k, size_t length)
{
    if (!k || !isupper((unsigned char)name[k]))
        return false;
    unsigned char before = (unsigned char)name[k - 1];
    if (islower(before) || isdigit(before))
        return true;
    return isupper(before) && k + 1 < length && islower((unsigned char)name[k + 1]);
}

/* How many letters found room, with one place left for the end. */
static size_t put_upper(const char *letters, size_t count, char *out, size_t room)
{
    size_t n = 0;
    for (; n < count && n + 1 < room; n++)
        out[n] = (char)toupper((unsigned char)letters[n]);
    return n;
}

void words_upper(const char *pascal, size_t length, char *out, size_t size)
{
    size_t n = 0;
    for (size_t k = 0; k < length && n + 2 < size;) {
        size_t whole = whole_word(pascal + k, length - k), count = whole ? whole : 1;
        if (k && (whole || word_begins(pascal, k, length)))
            out[n++] = '_';
        n += put_upper(pascal + k, count, out + n, size - n);
        k += count;
    }
    out[n] = '\0';
}

size_t words_without(const char *name, size_t length, const char *suffix)
{
    size_t n = strlen(suffix);
    return length > n && memcmp(name + length - n, suffix, n) == 0 ? length - n : length;
}

struct xml_span words_local(struct xml_span type)
{
    const char *colon = type.at ? memchr(type.at, ':', type.length) : NULL;
    if (!colon)
        return type;
    size_t cut = (size_t)(colon + 1 - type.at);
    return (struct xml_span){.at = type.at + cut, .length = type.length - cut};
}

bool span_is(struct xml_span s, const char *text)
{
    return s.at && s.length == strlen(text) && memcmp(s.at, text, s.length) == 0;
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\n' || c == '\t' || c == '\r';
}

struct xml_span span_trim(struct xml_span s)
{
    while (s.length && is_blank(*s.at))
        s.at++, s.length--;
    while (s.length && is_blank(s.at[s.length - 1]))
        s.length--;
    return s;
}

bool span_number(struct xml_span s, uint64_t *value)
{
    uint64_t v = 0;
    if (!s.length || s.length > 19) /* INT64_MAX has 19 digits */
        return false;
    for (size_t k = 0; k < s.length; k++) {
        unsigned digit = (unsigned char)s.at[k] - (unsigned)'0';
        if (digit > 9)
            return false;
        v = v * 10 + digit;
    }
    *value = v;
    return v <= INT64_MAX;
}

const char *span_text(struct xml_span s, struct intern *texts)
{
    return s.length ? intern_text(texts, s.at, s.length) : NULL;
}

/* A decimal number without an exponent and short enough to be finite in any case. */
static bool is_plain_number(struct xml_span s)
{
    size_t k = s.length && (s.at[0] == '-' || s.at[0] == '+'), points = 0, begin = k;
    for (; k < s.length; k++)
        if ((unsigned char)s.at[k] - (unsigned)'0' > 9 && (s.at[k] != '.' || points++))
            return false;
    size_t digits = s.length - begin - points;
    return digits > 0 && digits < 300;
}

static bool is_finite_number(struct xml_span s)
{
    char text[400];
    double value;
    if (is_plain_number(s))
        return true;
    if (s.length >= sizeof text)
        return false;
    memcpy(text, s.at, s.length);
    text[s.length] = '\0';
    return text_double(text, &value);
}

const char *words_sample_fault(struct xml_span text)
{
    if (!text.length)
        return "a sample without a value";
    if (is_plain_number(text)) /* as nearly all are */
        return NULL;
    while (text.length) {
        struct xml_span word = {.at = text.at};
        while (word.length < text.length && !is_blank(word.at[word.length]))
            word.length++;
        if (!is_finite_number(word))
            return "not a finite number";
        text.at += word.length;
        text.length -= word.length;
        text = span_trim(text);
    }
    return NULL;
}
