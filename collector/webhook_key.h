/*
 * The key that signs what goes to a webhook: a credential by its name, never on the command line or in the
 * environment.
 */
#ifndef COLLECTOR_WEBHOOK_KEY_H
#define COLLECTOR_WEBHOOK_KEY_H

#include "base/err.h"

#include <stddef.h>

enum { WEBHOOK_KEY_BYTES = 1024 };

struct webhook_key {
    size_t size;
    unsigned char bytes[WEBHOOK_KEY_BYTES];
};

/* The file of that name in the folder that CREDENTIALS_DIRECTORY names; a line end after the key is no part
 * of it. ERR_CONFIG when it is not there, empty, too long or open to others. */
MUST_USE bool webhook_key_read(struct webhook_key *key, const char *name, struct err *err);
void webhook_key_wipe(struct webhook_key *key);

#endif
