/*
 * Fingerprints and signatures. The only user of libcrypto.
 */
#ifndef COLLECTOR_DIGEST_H
#define COLLECTOR_DIGEST_H

#include "base/err.h"

#include <stddef.h>

enum { DIGEST_TEXT = 65 };

/* SHA-256 in hexadecimal. */
MUST_USE bool digest_file(const char *path, char text[static DIGEST_TEXT], struct err *err);
/* HMAC-SHA-256 (RFC 2104) of bytes, in hexadecimal. */
void digest_hmac(const void *key, size_t key_size, const void *bytes, size_t size,
                 char text[static DIGEST_TEXT]);

#endif
