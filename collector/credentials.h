/*
 * Secrets by name. Register and settings hold the name, a file that only we may read holds the secret.
 *
 * The file NAME is looked for in $CREDENTIALS_DIRECTORY (where the service manager puts credentials), then in
 * a folder. No secret ever stands in an error text, and a process that has read one leaves no core dump.
 */
#ifndef COLLECTOR_CREDENTIALS_H
#define COLLECTOR_CREDENTIALS_H

#include "base/err.h"

#include <stddef.h>

enum { CREDENTIAL_HEADER = 2048, CREDENTIAL_KEY = 1024 };

extern const char credentials_usual_folder[];

/* NULL when the text can be the name of a credential, else why not. */
const char *credential_name_why_not(const char *name);

/*
 * The line of an HTTP header that shows the credential, whose first line is "user:password" or "bearer
 * TOKEN"; a second line "allow-http" permits to send it without TLS. The caller wipes it with explicit_bzero
 * after use; on failure nothing is in it. folder NULL: the usual one.
 */
MUST_USE bool credential_header(const char *name, const char *folder, bool is_https,
                                char header[static CREDENTIAL_HEADER], struct err *err);

/* A key to sign with: the whole file but for line ends after it. The caller wipes it with explicit_bzero. */
struct credential_key {
    size_t size;
    unsigned char bytes[CREDENTIAL_KEY];
};
MUST_USE bool credential_key(const char *name, const char *folder, struct credential_key *key,
                             struct err *err);

#endif
