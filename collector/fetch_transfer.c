#include "fetch_transfer.h"

#include "base/clock.h"
#include "base/text.h"

#include <arpa/inet.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum {
    FIRST_BUFFER_BYTES = 16 * 1024,
    KEPT_BUFFER_BYTES = 1024 * 1024,
    HEADER_BYTES = 64 * 1024,
    LOW_SPEED_BYTES_S = 10,
    LOW_SPEED_S = 3,
    CONNECTION_AGE_S = 3600, /* a certificate is checked when a connection begins */
    /* of OpenSSL's <openssl/x509_vfy.h> */
    NOT_YET_VALID = 9,
    HAS_EXPIRED = 10,
};

static size_t refuse(struct transfer *t, const char *why)
{
    if (!t->refusal[0])
        snprintf(t->refusal, sizeof t->refusal, "%s", why);
    return 0;
}

static size_t on_bytes(char *bytes, size_t size, size_t count, void *context)
{
    struct transfer *t = context;
    size_t more = size * count;
    if (more > t->max_bytes - t->size) {
        t->too_large = true;
        return 0;
    }
    if (more > t->capacity - t->size) {
        size_t capacity = t->capacity ? t->capacity * 2 : FIRST_BUFFER_BYTES;
        while (capacity < t->size + more)
            capacity *= 2;
        char *grown = realloc(t->bytes, capacity);
        if (!grown)
            return refuse(t, "there is no memory for the answer");
        t->bytes = grown;
        t->capacity = capacity;
    }
    memcpy(t->bytes + t->size, bytes, more);
    t->size += more;
    return more;
}

static size_t on_header(char *bytes, size_t size, size_t count, void *context)
{
    (void)bytes;
    struct transfer *t = context;
    if (size * count > HEADER_BYTES - t->header_bytes)
        return refuse(t, "the header of the answer is larger than 65536 bytes");
    t->header_bytes += size * count;
    return size * count;
}

/* Where the connection really goes. A kept connection is looked at too: it may have been made for a site with
 * other networks. */
static bool may_reach(struct transfer *t, const struct sockaddr *address)
{
    const char *why = networks_why_not(&t->networks, address, t->url.names_loopback);
    if (!why)
        return true;
    char text[INET6_ADDRSTRLEN] = "?";
    struct sockaddr_in v4;
    struct sockaddr_in6 v6;
    if (address->sa_family == AF_INET) {
        memcpy(&v4, address, sizeof v4);
        inet_ntop(AF_INET, &v4.sin_addr, text, sizeof text);
    } else if (address->sa_family == AF_INET6) {
        memcpy(&v6, address, sizeof v6);
        inet_ntop(AF_INET6, &v6.sin6_addr, text, sizeof text);
    }
    t->refused = true;
    snprintf(t->refusal, sizeof t->refusal,
             "the address %s must not be reached: %s (column 'networks' of sites.csv)", text, why);
    return false;
}

static curl_socket_t on_open(void *context, curlsocktype purpose, struct curl_sockaddr *address)
{
    (void)purpose;
    if (!may_reach(context, &address->addr))
        return CURL_SOCKET_BAD;
    return socket(address->family, address->socktype | SOCK_CLOEXEC, address->protocol);
}

static int on_connected(void *context, char *remote, char *local, int remote_port, int local_port)
{
    (void)local;
    (void)remote_port;
    (void)local_port;
    struct transfer *t = context;
    struct sockaddr_in v4 = {.sin_family = AF_INET};
    struct sockaddr_in6 v6 = {.sin6_family = AF_INET6};
    bool may =
        inet_pton(AF_INET, remote, &v4.sin_addr) == 1
            ? may_reach(t, (const struct sockaddr *)&v4)
            : inet_pton(AF_INET6, remote, &v6.sin6_addr) == 1 && may_reach(t, (const struct sockaddr *)&v6);
    if (!may)
        return CURL_PREREQFUNC_ABORT;
    t->refused = false; /* of a name with several addresses another one may have been refused */
    t->refusal[0] = '\0';
    return CURL_PREREQFUNC_OK;
}

static void set_limits(CURL *easy, const struct fetch_limits *limits)
{
    curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT_MS, (long)limits->connect_ms);
    curl_easy_setopt(easy, CURLOPT_TIMEOUT_MS, (long)limits->total_ms);
    curl_easy_setopt(easy, CURLOPT_LOW_SPEED_LIMIT, (long)LOW_SPEED_BYTES_S);
    curl_easy_setopt(easy, CURLOPT_LOW_SPEED_TIME, (long)LOW_SPEED_S);
    curl_easy_setopt(easy, CURLOPT_MAXAGE_CONN, (long)CONNECTION_AGE_S);
    curl_easy_setopt(easy, CURLOPT_MAXLIFETIME_CONN, (long)CONNECTION_AGE_S);
    curl_easy_setopt(easy, CURLOPT_TCP_KEEPALIVE, 1L);
    curl_easy_setopt(easy, CURLOPT_DNS_CACHE_TIMEOUT, 0L);
}

/* One version of HTTP, no second host, nothing from files of the user, nothing unpacked. */
static void set_protocol(CURL *easy, struct curl_slist *headers)
{
    curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L);
    curl_easy_setopt(easy, CURLOPT_PROTOCOLS_STR, "http,https");
    curl_easy_setopt(easy, CURLOPT_HTTP_VERSION, (long)CURL_HTTP_VERSION_1_1);
    curl_easy_setopt(easy, CURLOPT_HTTP09_ALLOWED, 0L);
    curl_easy_setopt(easy, CURLOPT_FOLLOWLOCATION, 0L);
    curl_easy_setopt(easy, CURLOPT_DISALLOW_USERNAME_IN_URL, 1L);
    curl_easy_setopt(easy, CURLOPT_NETRC, (long)CURL_NETRC_IGNORED);
    curl_easy_setopt(easy, CURLOPT_PROXY, "");
    curl_easy_setopt(easy, CURLOPT_USERAGENT, "vaneward-collector/" VANEWARD_VERSION);
    curl_easy_setopt(easy, CURLOPT_HTTPHEADER, headers);
    curl_easy_setopt(easy, CURLOPT_SSL_VERIFYPEER, 1L);
    curl_easy_setopt(easy, CURLOPT_SSL_VERIFYHOST, 2L);
    curl_easy_setopt(easy, CURLOPT_SSLVERSION, (long)CURL_SSLVERSION_TLSv1_2);
    curl_easy_setopt(easy, CURLOPT_CERTINFO, 1L);
}

/* libcurl shares the system's certificates among connections only where they come from a file alone; else
 * each connection has its own copy of them all. */
static void use_system_trust(struct transfer *t)
{
    curl_easy_getinfo(t->easy, CURLINFO_CAINFO, &t->system_ca_file);
    curl_easy_getinfo(t->easy, CURLINFO_CAPATH, &t->system_ca_path);
    if (t->system_ca_file && eaccess(t->system_ca_file, R_OK) == 0)
        t->system_ca_path = NULL;
    curl_easy_setopt(t->easy, CURLOPT_CAPATH, t->system_ca_path);
}

bool transfer_set_up(struct transfer *t, const struct fetch_limits *limits, struct curl_slist *headers)
{
    t->easy = curl_easy_init();
    if (!t->easy)
        return false;
    t->max_bytes = limits->max_bytes;
    set_limits(t->easy, limits);
    set_protocol(t->easy, headers);
    use_system_trust(t);
    curl_easy_setopt(t->easy, CURLOPT_PRIVATE, t);
    curl_easy_setopt(t->easy, CURLOPT_ERRORBUFFER, t->curl_error);
    curl_easy_setopt(t->easy, CURLOPT_WRITEFUNCTION, on_bytes);
    curl_easy_setopt(t->easy, CURLOPT_WRITEDATA, t);
    curl_easy_setopt(t->easy, CURLOPT_HEADERFUNCTION, on_header);
    curl_easy_setopt(t->easy, CURLOPT_HEADERDATA, t);
    curl_easy_setopt(t->easy, CURLOPT_OPENSOCKETFUNCTION, on_open);
    curl_easy_setopt(t->easy, CURLOPT_OPENSOCKETDATA, t);
    curl_easy_setopt(t->easy, CURLOPT_PREREQFUNCTION, on_connected);
    curl_easy_setopt(t->easy, CURLOPT_PREREQDATA, t);
    return true;
}

void transfer_release(struct transfer *t)
{
    curl_easy_cleanup(t->easy);
    curl_slist_free_all(t->own_headers);
    explicit_bzero(t->authorization, sizeof t->authorization);
    free(t->bytes);
}

/* An own list of certificates stands for all of the system's. */
static bool set_trust(struct transfer *t, const struct fetch_access *access, struct err *err)
{
    const char *ca_file = access->ca_file;
    bool is_usual = !ca_file && !access->pinned_key;
    if (is_usual && t->has_usual_trust)
        return true;
    t->has_usual_trust = is_usual;
    if (ca_file && eaccess(ca_file, R_OK) < 0)
        return err_set(err, ERR_CONFIG, "cannot read its ca_file '%s': %s", ca_file, strerror(errno));
    curl_easy_setopt(t->easy, CURLOPT_CAINFO, ca_file ? ca_file : t->system_ca_file);
    curl_easy_setopt(t->easy, CURLOPT_CAPATH, ca_file ? NULL : t->system_ca_path);
    if (curl_easy_setopt(t->easy, CURLOPT_PINNEDPUBLICKEY, access->pinned_key) != CURLE_OK)
        return err_set(err, ERR_CONFIG, "its pinned_key cannot be used");
    return true;
}

static bool set_credential(struct transfer *t, const struct fetch_access *access, struct curl_slist *headers,
                           struct err *err)
{
    curl_easy_setopt(t->easy, CURLOPT_HTTPHEADER, headers);
    if (!access->credential)
        return true;
    if (!credential_header(access->credential, access->credential_folder, t->url.is_https, t->authorization,
                           err))
        return false;
    t->authorized = (struct curl_slist){.data = t->authorization, .next = headers};
    curl_easy_setopt(t->easy, CURLOPT_HTTPHEADER, &t->authorized);
    return true;
}

bool transfer_begin(struct transfer *t, const char *url, const struct fetch_access *access,
                    struct curl_slist *headers)
{
    static const struct fetch_access usual = {.credential = NULL};
    struct err err = {0};
    access = access ? access : &usual;
    t->size = t->header_bytes = 0;
    t->too_large = t->refused = false;
    t->refusal[0] = t->curl_error[0] = t->error[0] = '\0';
    if (access->networks)
        t->networks = *access->networks;
    else
        t->networks.count = 0;
    if (!url_check(url, &t->url, &err) || !set_trust(t, access, &err) ||
        !set_credential(t, access, headers, &err)) {
        t->refused = true;
        refuse(t, err.text);
        return false;
    }
    curl_easy_setopt(t->easy, CURLOPT_URL, url);
    return true;
}

static bool has_header(const struct transfer *t, const char *name, size_t at, struct curl_header **header)
{
    return curl_easy_header(t->easy, name, at, CURLH_HEADER, -1, header) == CURLHE_OK;
}

/* Answers that two readers would understand in two ways, or that we did not ask for. */
static void check_header(struct transfer *t)
{
    struct curl_header *h, *other;
    long status = 0;
    curl_easy_getinfo(t->easy, CURLINFO_RESPONSE_CODE, &status);
    if (status >= 300 && status < 400) {
        snprintf(t->refusal, sizeof t->refusal,
                 "it redirects elsewhere (status %ld); that is not followed: put the address itself into "
                 "sources.csv",
                 status);
        return;
    }
    if (has_header(t, "Content-Encoding", 0, &h) && strcasecmp(h->value, "identity") != 0)
        refuse(t, "the answer is packed (Content-Encoding) although that was not asked for");
    if (!has_header(t, "Content-Length", 0, &h))
        return;
    char first[64];
    snprintf(first, sizeof first, "%s", h->value);
    for (size_t k = 1, n = h->amount; k < n; k++)
        if (has_header(t, "Content-Length", k, &other) && strcmp(first, other->value) != 0)
            refuse(t, "the answer gives two lengths (Content-Length)");
}

/* Texts of the other end do not come into our log and database as they are. */
static const char *printable(char *text)
{
    for (char *c = text; *c; c++)
        if ((unsigned char)*c < ' ' || (unsigned char)*c > '~')
            *c = '?';
    return text;
}

static const char *curl_text(const struct transfer *t, CURLcode code)
{
    return t->curl_error[0] ? t->curl_error : curl_easy_strerror(code);
}

static void explain_certificate(struct transfer *t, CURLcode code)
{
    long result = 0;
    char now[TIME_TEXT];
    curl_easy_getinfo(t->easy, CURLINFO_SSL_VERIFYRESULT, &result);
    int length = snprintf(t->error, sizeof t->error, "its certificate is refused: %s", curl_text(t, code));
    if (result != NOT_YET_VALID && result != HAS_EXPIRED)
        return;
    time_format(clock_now_us() / US_PER_S * US_PER_S, now);
    snprintf(t->error + length, sizeof t->error - (size_t)length,
             "; the clock of this machine says %s: check it (timedatectl status), then the certificate", now);
}

const char *transfer_failure(struct transfer *t, CURLcode code)
{
    if (!t->too_large && !t->refusal[0])
        check_header(t);
    if (code == CURLE_OK && !t->refusal[0])
        return NULL;
    if (t->too_large)
        snprintf(t->error, sizeof t->error, "the answer is larger than %zu bytes", t->max_bytes);
    else if (t->refusal[0])
        snprintf(t->error, sizeof t->error, "%s", t->refusal);
    else if (code == CURLE_PEER_FAILED_VERIFICATION || code == CURLE_SSL_PINNEDPUBKEYNOTMATCH)
        explain_certificate(t, code);
    else if (code == CURLE_SSL_CONNECT_ERROR)
        snprintf(t->error, sizeof t->error, "TLS 1.2 or newer could not be agreed: %s", curl_text(t, code));
    else
        snprintf(t->error, sizeof t->error, "%s", curl_text(t, code));
    return printable(t->error);
}

struct body transfer_body(const struct transfer *t)
{
    struct body body = {.bytes = t->size ? t->bytes : "", .size = t->size};
    curl_easy_getinfo(t->easy, CURLINFO_RESPONSE_CODE, &body.status);
    return body;
}

/* "Nov 25 16:20:00 2027 GMT" */
static int64_t certificate_moment(const char *text)
{
    static const char months[] = "JanFebMarAprMayJunJulAugSepOctNovDec";
    char month[4], iso[TIME_TEXT];
    int day, hour, minute, second, year;
    int64_t us;
    if (sscanf(text, "%3s %d %d:%d:%d %d", month, &day, &hour, &minute, &second, &year) != 6)
        return TIME_UNKNOWN;
    const char *at = strstr(months, month);
    if (!at || (at - months) % 3)
        return TIME_UNKNOWN;
    snprintf(iso, sizeof iso, "%04d-%02d-%02dT%02d:%02d:%02dZ", year, (int)(at - months) / 3 + 1, day, hour,
             minute, second);
    return time_parse(iso, &us, NULL) ? us : TIME_UNKNOWN;
}

int64_t transfer_certificate_end_us(const struct transfer *t)
{
    static const char label[] = "Expire date:";
    struct curl_certinfo *info = NULL;
    if (!t->url.is_https || curl_easy_getinfo(t->easy, CURLINFO_CERTINFO, &info) != CURLE_OK || !info ||
        info->num_of_certs < 1)
        return TIME_UNKNOWN;
    for (const struct curl_slist *line = info->certinfo[0]; line; line = line->next)
        if (strncmp(line->data, label, sizeof label - 1) == 0)
            return certificate_moment(line->data + sizeof label - 1);
    return TIME_UNKNOWN;
}

void transfer_end(struct transfer *t)
{
    explicit_bzero(t->authorization, sizeof t->authorization);
    if (t->capacity <= KEPT_BUFFER_BYTES)
        return;
    free(t->bytes);
    t->bytes = NULL;
    t->capacity = 0;
}
