/*
 * Secrets by name. The register holds the name, a file that only we may read holds the secret.
 *
 * The file NAME is looked for in $CREDENTIALS_DIRECTORY (where the service manager puts credentials), then in
 * a folder. Its first line is "user:password" or "bearer TOKEN"; a second line "allow-http" permits to send
 * it without TLS. No secret ever stands in an error text.
 */
#ifndef COLLECTOR_CREDENTIALS_H
#define COLLECTOR_CREDENTIALS_H

#include "base/err.h"

enum { CREDENTIAL_HEADER = 2048 };

extern const char credentials_usual_folder[];

/* NULL when the text can be the name of a credential, else why not. */
const char *credential_name_why_not(const char *name);

/*
 * The line of an HTTP header that shows the credential. The caller wipes it with explicit_bzero after use; on
 * failure nothing is in it. folder NULL: the usual one.
 */
MUST_USE bool credential_header(const char *name, const char *folder, bool is_https,
                                char header[static CREDENTIAL_HEADER], struct err *err);

#endif
