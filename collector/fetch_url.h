/*
 * Whether a text is an address that may be asked. Pure.
 */
#ifndef COLLECTOR_FETCH_URL_H
#define COLLECTOR_FETCH_URL_H

#include "base/err.h"

struct url_facts {
    bool is_https;
    bool names_loopback; /* in its usual letters: localhost, 127.x.y.z, [::1] */
};

/*
 * Absolute http and https only, without a user name or password, blanks, control characters, backslashes or
 * a fragment; as libcurl understands it. The text of the error does not repeat the address.
 */
MUST_USE bool url_check(const char *url, struct url_facts *facts, struct err *err);

#endif
