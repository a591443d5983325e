#include "fetch_url.h"

#include <arpa/inet.h>
#include <curl/curl.h>

#include <string.h>

enum { URL_BYTES = 4096, HOST_BYTES = 256 };

static bool is_plain(const char *url)
{
    for (const char *c = url; *c; c++)
        if ((unsigned char)*c <= ' ' || (unsigned char)*c > '~' || *c == '\\')
            return false;
    return true;
}

/* The host as it is written: libcurl has turned 0x7f.1 into 127.0.0.1. */
static bool names_loopback(const char *host, size_t length)
{
    char text[HOST_BYTES];
    unsigned char v4[4];
    if (length == 0 || length >= sizeof text)
        return false;
    memcpy(text, host, length);
    text[length] = '\0';
    if (strncmp(text, "[::1]", 5) == 0)
        return text[5] == '\0' || text[5] == ':';
    text[strcspn(text, ":")] = '\0';
    return strcasecmp(text, "localhost") == 0 || (inet_pton(AF_INET, text, v4) == 1 && v4[0] == 127);
}

static bool understood(const char *url, struct err *err)
{
    CURLU *parsed = curl_url();
    if (!parsed)
        err_no_memory();
    CURLUcode code = curl_url_set(parsed, CURLUPART_URL, url, CURLU_DISALLOW_USER);
    curl_url_cleanup(parsed);
    if (code == CURLUE_OK)
        return true;
    if (code == CURLUE_USER_NOT_ALLOWED)
        return err_set(err, ERR_INPUT, "an address must not hold a user name or password");
    return err_set(err, ERR_INPUT, "it is not an address: %s", curl_url_strerror(code));
}

bool url_check(const char *url, struct url_facts *facts, struct err *err)
{
    if (!is_plain(url))
        return err_set(err, ERR_INPUT, "an address must not hold blanks, control characters or backslashes");
    facts->is_https = strncasecmp(url, "https://", 8) == 0;
    if (!facts->is_https && strncasecmp(url, "http://", 7) != 0)
        return err_set(err, ERR_INPUT, "an address must begin with http:// or https://");
    const char *host = url + (facts->is_https ? 8 : 7);
    size_t length = strcspn(host, "/?#");
    if (memchr(host, '@', length))
        return err_set(err, ERR_INPUT, "an address must not hold a user name or password");
    if (strlen(url) > URL_BYTES || length >= HOST_BYTES)
        return err_set(err, ERR_INPUT, "the address is too long");
    if (length == 0 || strchr(url, '#'))
        return err_set(err, ERR_INPUT, length ? "an address must not hold a #" : "the address has no host");
    facts->names_loopback = names_loopback(host, length);
    return understood(url, err);
}
