/*
 * The fingerprint of a file. The only user of libcrypto.
 */
#ifndef COLLECTOR_DIGEST_H
#define COLLECTOR_DIGEST_H

#include "base/err.h"

enum { DIGEST_TEXT = 65 };

/* SHA-256 in hexadecimal. */
MUST_USE bool digest_file(const char *path, char text[static DIGEST_TEXT], struct err *err);

#endif
