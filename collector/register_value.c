#include "register_value.h"

#include "base/clock.h"
#include "base/nearest.h"
#include "base/text.h"
#include "credentials.h"
#include "networks.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { KEY_CHARACTERS = 64, NAME_CHARACTERS = 255, TEXT_CHARACTERS = 2000 };
enum { FIRST_DAY = -719162 }; /* 0001-01-01: the calendar of the database has no year 0 */

static size_t characters(const char *text)
{
    size_t n = 0;
    for (; *text; text++)
        n += ((unsigned char)*text & 0xc0) != 0x80;
    return n;
}

static const char *why_not_text(const char *text, size_t most, bool one_line, struct arena *mem)
{
    if (one_line && strpbrk(text, "\n\t"))
        return "has a line break or tab in it; write it on one line";
    size_t n = characters(text);
    return n > most ? arena_printf(mem, "has %zu characters; at most %zu", n, most) : NULL;
}

static const char *why_not_within(const struct register_column *c, double value, struct arena *mem)
{
    if (value >= c->min && value <= c->max)
        return NULL;
    return arena_printf(mem, "is out of range; allowed: %.12g to %.12g", c->min, c->max);
}

static const char *why_not_integer(const struct register_column *c, const char *text, struct arena *mem)
{
    int64_t value;
    if (!text_int64(text, &value))
        return "is not a whole number";
    return why_not_within(c, (double)value, mem);
}

static const char *why_not_decimal(const struct register_column *c, const char *text, struct arena *mem)
{
    double value;
    if (!text_double(text, &value))
        return strchr(text, ',')
                   ? "is not a number; write it with a point and without separators, like 1234.5"
                   : "is not a number; write it like 1234.5";
    return why_not_within(c, value, mem);
}

static const char *why_not_money(const struct register_column *c, const char *text, struct arena *mem)
{
    const char *why = why_not_decimal(c, text, mem);
    double cents = why ? 0 : strtod(text, NULL) * 100;
    if (!why && fabs(cents - round(cents)) > 1e-4)
        return "has more than two decimals";
    return why;
}

static const char *why_not_past(const struct register_column *c, int64_t us, int64_t now_us,
                                struct arena *mem)
{
    if (!c->past || us <= now_us)
        return NULL;
    char now[TIME_TEXT];
    time_format(now_us - now_us % US_PER_S, now);
    return arena_printf(mem, "lies in the future; it is %s now", now);
}

static const char *why_not_date(const struct register_column *c, const char *text, int64_t now_us,
                                struct arena *mem)
{
    int32_t day;
    if (!day_parse(text, &day) || day < FIRST_DAY)
        return "is not a date; write it like 2026-11-25";
    return why_not_past(c, day_start_us(day), now_us, mem);
}

static const char *why_not_moment(const struct register_column *c, const char **text, int64_t now_us,
                                  struct arena *mem)
{
    int64_t us;
    if (!time_parse(*text, &us, NULL) || us < day_start_us(FIRST_DAY))
        return "is not a moment; write it like 2026-11-25T16:20:00Z";
    const char *why = why_not_past(c, us, now_us, mem);
    if (why)
        return why;
    char *stored = arena_alloc(mem, TIME_TEXT);
    time_format(us, stored);
    *text = stored;
    return NULL;
}

const char *register_word_list(const char *const *words, struct arena *mem)
{
    const char *list = words[0];
    for (size_t k = 1; list && words[k]; k++)
        list = arena_printf(mem, "%s%s%s", list, words[k + 1] ? ", " : " or ", words[k]);
    return list;
}

static const char *why_not_word(const char *const *words, const char *text, struct arena *mem)
{
    for (size_t k = 0; words[k]; k++)
        if (strcmp(words[k], text) == 0)
            return NULL;
    const char *near = nearest_of(text, words);
    if (near)
        return arena_printf(mem, "is not known here; the nearest is '%s'", near);
    return arena_printf(mem, "is not known here; write %s", register_word_list(words, mem));
}

static const char *why_not_yes_no(const char *text)
{
    bool value;
    return text_yes_no(text, &value) ? NULL : "is neither yes nor no";
}

/* ISO 4217 codes change; only their form is checked. */
static const char *why_not_currency(const char *text)
{
    bool good = strlen(text) == 3;
    for (const char *c = text; good && *c; c++)
        good = *c >= 'A' && *c <= 'Z';
    return good ? NULL : "is not a currency; write its three capital letters, like EUR";
}

static const char *why_not_email(const char *text)
{
    const char *at = strchr(text, '@');
    bool good = at && at > text && at[1] && at[1] != '.' && !strchr(at + 1, '@');
    for (const char *c = text; good && *c; c++)
        good = (unsigned char)*c > ' ' && !strchr(",;<>\"()", *c);
    return good ? NULL : "is not an e-mail address; write it like name@plant.example";
}

static const char *why_not_url(const char *text)
{
    static const char form[] = "is not an address; write it like http://host:5000/path";
    size_t scheme = strncmp(text, "http://", 7) == 0 ? 7 : strncmp(text, "https://", 8) == 0 ? 8 : 0;
    if (!scheme)
        return form;
    for (const char *c = text; *c; c++)
        if ((unsigned char)*c <= ' ' || (unsigned char)*c > '~')
            return form;
    const char *host = text + scheme;
    size_t n = strcspn(host, "/?#");
    if (memchr(host, '@', n))
        return "holds a name or password; these do not belong in the register";
    if (n == 0 || host[0] == ':' || host[0] == '.')
        return form;
    return strpbrk(host, "?#") ? "has a ? or # in it; write the address up to there" : NULL;
}

static const char *why_not_networks(const char *text, struct arena *mem)
{
    struct networks n;
    struct err err = {0};
    if (networks_parse(text, &n, &err))
        return NULL;
    return arena_printf(mem, "is no list of networks: %s; write it like 10.1.0.0/16 fd12:3::/32", err.text);
}

static const char *why_not_path(const char *text, struct arena *mem)
{
    return text[0] == '/' ? why_not_text(text, NAME_CHARACTERS, true, mem)
                          : "is not the whole path of a file; write it like /etc/vaneward/plant-ca.pem";
}

/* 32 bytes in base64: 43 letters and one '='. */
static const char *why_not_pin(const char *text)
{
    static const char head[] = "sha256//";
    static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    const char *hash = text + sizeof head - 1;
    bool good = strncmp(text, head, sizeof head - 1) == 0 && strspn(hash, letters) == 43 &&
                strcmp(hash + 43, "=") == 0;
    return good ? NULL : "is not the SHA-256 of a public key; write it like sha256//<43 letters>=";
}

static const char *why_not(const struct register_column *c, const char **value, int64_t now_us,
                           struct arena *mem)
{
    switch (c->type) {
    case COLUMN_KEY:
        return why_not_text(*value, KEY_CHARACTERS, true, mem);
    case COLUMN_NAME:
        return why_not_text(*value, NAME_CHARACTERS, true, mem);
    case COLUMN_TEXT:
    case COLUMN_REMARK:
        return why_not_text(*value, TEXT_CHARACTERS, false, mem);
    case COLUMN_INTEGER:
        return why_not_integer(c, *value, mem);
    case COLUMN_DECIMAL:
        return why_not_decimal(c, *value, mem);
    case COLUMN_MONEY:
        return why_not_money(c, *value, mem);
    case COLUMN_DATE:
        return why_not_date(c, *value, now_us, mem);
    case COLUMN_MOMENT:
        return why_not_moment(c, value, now_us, mem);
    case COLUMN_YES_NO:
        return why_not_yes_no(*value);
    case COLUMN_WORD:
        return why_not_word(c->words, *value, mem);
    case COLUMN_ZONE:
        return zone_known(*value) ? NULL : "is not a time zone of this machine; write it like Europe/Berlin";
    case COLUMN_CURRENCY:
        return why_not_currency(*value);
    case COLUMN_URL:
        return why_not_url(*value);
    case COLUMN_EMAIL:
        return why_not_email(*value);
    case COLUMN_NETWORKS:
        return why_not_networks(*value, mem);
    case COLUMN_PATH:
        return why_not_path(*value, mem);
    case COLUMN_PIN:
        return why_not_pin(*value);
    case COLUMN_CREDENTIAL:
        return credential_name_why_not(*value);
    }
    BUG("column '%s' has type %d", c->name, (int)c->type);
}

bool register_value(const struct register_column *c, const char **value, int64_t now_us, struct arena *mem,
                    const char **why)
{
    *why = why_not(c, value, now_us, mem);
    return !*why;
}
