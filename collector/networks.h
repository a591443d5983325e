/*
 * Which addresses a site's sources may have. Pure.
 *
 * What is checked is the address that a connection goes to, whatever the name or number in the url was. An
 * IPv4 address inside an IPv6 one (mapped, NAT64, 6to4) counts as the IPv4 address.
 */
#ifndef COLLECTOR_NETWORKS_H
#define COLLECTOR_NETWORKS_H

#include "base/err.h"

#include <stddef.h>

enum { NETWORKS_MOST = 32 };

struct network {
    unsigned char prefix[16]; /* IPv4 in its mapped form */
    int bits;                 /* of the 128 */
    bool is_v4;
};

struct networks {
    struct network items[NETWORKS_MOST];
    size_t count;
};

/* Ranges separated by blanks: "10.1.0.0/16 fd12:3::/32 192.168.7.9". NULL and "" are the empty list. */
MUST_USE bool networks_parse(const char *text, struct networks *out, struct err *err);

struct sockaddr;

/*
 * NULL when the address may be reached, else why not: "it is ...". A list allows exactly what is in it; the
 * empty list allows all but link-local addresses, and loopback only where the url names it. The unspecified
 * address, multicast and reserved ones are never allowed.
 */
const char *networks_why_not(const struct networks *n, const struct sockaddr *address, bool loopback_named);

#endif
