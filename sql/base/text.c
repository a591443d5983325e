#include "base/text.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <utf8proc.h>

static bool starts_number(const char *text)
{
    if (*text == '+' || *text == '-')
        text++;
    return isdigit((unsigned char)*text) || (*text == '.' && isdigit((unsigned char)text[1]));
}

bool text_int64(const char *text, int64_t *value)
{
    if (!starts_number(text))
        return false;
    char *end;
    errno = 0;
    long long v = strtoll(text, &end, 10);
    *value = v;
    return !errno && !*end && end != text;
}

bool text_uint64(const char *text, uint64_t *value)
{
    if (!isdigit((unsigned char)*text))
        return false;
    char *end;
    errno = 0;
    unsigned long long v = strtoull(text, &end, 10);
    *value = v;
    return !errno && !*end;
}

bool text_double(const char *text, double *value)
{
    if (!starts_number(text) || strpbrk(text, "xX"))
        return false;
    char *end;
    *value = strtod(text, &end);
    return !*end && isfinite(*value);
}

/* By its digits: a double cannot hold 1.0005, so rounding one goes the wrong way. */
bool text_milli(const char *text, int32_t *value)
{
    double whole;
    if (!text_double(text, &whole))
        return false;
    const char *p = text + (*text == '+' || *text == '-'), *e = strpbrk(text, "eE");
    long exponent = e ? strtol(e + 1, NULL, 10) : 0;
    exponent = exponent > 1000 ? 1000 : exponent < -1000 ? -1000 : exponent;
    long place = (long)strspn(p, "0123456789") - 1 + exponent + 3; /* of the digit: 0 for thousandths */
    int64_t v = 0;
    bool up = false;
    for (; *p && p != e; p++) {
        if (*p == '.')
            continue;
        if (place >= 0)
            v = v * 10 + (*p - '0');
        else if (place == -1)
            up = *p >= '5';
        if (v > INT32_MAX)
            return false;
        place--;
    }
    for (; place >= 0 && v && v <= INT32_MAX; place--)
        v *= 10;
    v += up;
    if (v > INT32_MAX) /* INT32_MIN means unavailable elsewhere, so both signs end here */
        return false;
    *value = (int32_t)(*text == '-' ? -v : v);
    return true;
}

bool text_yes_no(const char *text, bool *value)
{
    *value = strcmp(text, "yes") == 0;
    return *value || strcmp(text, "no") == 0;
}

bool text_is_clean(const char *text, size_t bytes)
{
    const utf8proc_uint8_t *p = (const utf8proc_uint8_t *)text;
    while (bytes) {
        utf8proc_int32_t c;
        utf8proc_ssize_t n = utf8proc_iterate(p, (utf8proc_ssize_t)bytes, &c);
        if (n <= 0 || (c < 0x20 && c != '\t' && c != '\n') || c == 0x7f)
            return false;
        p += n;
        bytes -= (size_t)n;
    }
    return true;
}

char *text_trim(char *text)
{
    while (isspace((unsigned char)*text))
        text++;
    size_t n = strlen(text);
    while (n && isspace((unsigned char)text[n - 1]))
        text[--n] = '\0';
    return text;
}

void text_cut(char *text, size_t max_bytes)
{
    if (strlen(text) <= max_bytes)
        return;
    while (max_bytes && ((unsigned char)text[max_bytes] & 0xc0) == 0x80)
        max_bytes--;
    text[max_bytes] = '\0';
}
