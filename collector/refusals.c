#include "refusals.h"

#include "base/text.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

static const char OTHER[] = "other";
static const char VALUE[] = "...";

/* Behind a value in quotes or a row of digits at 'at'; 'at' itself where none stands. */
static const char *behind_value(const char *at)
{
    const char *quote = *at == '\'' ? strchr(at + 1, '\'') : NULL;
    if (quote)
        return quote + 1;
    while (isdigit((unsigned char)*at))
        at++;
    return at;
}

static void kind_of(const char *reason, char kind[static REFUSAL_TEXT])
{
    size_t n = 0;
    const char *at = reason;
    while (*at && n + sizeof VALUE < REFUSAL_TEXT) {
        const char *behind = behind_value(at);
        if (behind > at) {
            memcpy(kind + n, VALUE, sizeof VALUE - 1);
            n += sizeof VALUE - 1;
            at = behind;
        } else {
            kind[n++] = *at++;
        }
    }
    kind[n] = *at;
    if (*at)
        kind[n + 1] = '\0';
    text_cut(kind, n); /* to whole letters */
}

void refusals_add(struct refusals *r, const char *reason, int64_t count)
{
    char kind[REFUSAL_TEXT];
    size_t k = 0;
    kind_of(reason, kind);
    while (k < r->count && strcmp(r->kinds[k].kind, kind) != 0)
        k++;
    if (k >= REFUSAL_KINDS - 1)
        k = REFUSAL_KINDS - 1;
    if (k >= r->count) {
        r->count = k + 1;
        snprintf(r->kinds[k].kind, REFUSAL_TEXT, "%s", k == REFUSAL_KINDS - 1 ? OTHER : kind);
    }
    r->kinds[k].count += count;
}
