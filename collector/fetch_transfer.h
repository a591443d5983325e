/*
 * One transfer: its options, its limits while it runs, and what its end means. For fetch.c alone.
 */
#ifndef COLLECTOR_FETCH_TRANSFER_H
#define COLLECTOR_FETCH_TRANSFER_H

#include "credentials.h"
#include "fetch.h"
#include "fetch_url.h"

#include <curl/curl.h>

enum { TRANSFER_WHY = 400 };

struct transfer {
    CURL *easy;
    struct transfer *next;          /* in a list of idle or of ended ones */
    CURLM *multi;                   /* while it is under way there */
    CURLcode code;                  /* that it ended with */
    struct curl_slist *own_headers; /* of a request that carries a body; else NULL */
    void *tag;
    char *bytes;
    size_t size, capacity, max_bytes, header_bytes;
    bool too_large, refused;
    struct url_facts url;
    struct networks networks;
    const char *system_ca_file, *system_ca_path;
    bool has_usual_trust; /* the system's certificates, any key */
    char authorization[CREDENTIAL_HEADER];
    struct curl_slist authorized; /* the line above, before the usual headers */
    char refusal[TRANSFER_WHY];   /* by our own rules; "" when there is none */
    char curl_error[CURL_ERROR_SIZE];
    char error[TRANSFER_WHY + CURL_ERROR_SIZE];
};

/* The options that are the same for all transfers. False: out of memory. */
MUST_USE bool transfer_set_up(struct transfer *t, const struct fetch_limits *limits,
                              struct curl_slist *headers);
void transfer_release(struct transfer *t);

/* Prepares to ask. False: it must not be asked, and transfer_failure says why. access NULL: the usual rules.
 */
MUST_USE bool transfer_begin(struct transfer *t, const char *url, const struct fetch_access *access,
                             struct curl_slist *headers);
/* NULL when the transfer brought an answer. */
const char *transfer_failure(struct transfer *t, CURLcode code);
/* What came; after an answer. */
struct body transfer_body(const struct transfer *t);
/* When the certificate ends that the other end showed; TIME_UNKNOWN: it showed none, or on an older
 * connection. */
int64_t transfer_certificate_end_us(const struct transfer *t);
/* Forgets the secret and a very long answer. */
void transfer_end(struct transfer *t);

#endif
