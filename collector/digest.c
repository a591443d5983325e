#include "digest.h"

#include <openssl/evp.h>

#include <errno.h>
#include <stdio.h>
#include <string.h>

static bool digest_stream(FILE *in, EVP_MD_CTX *context, char text[static DIGEST_TEXT])
{
    unsigned char chunk[64 * 1024], digest[EVP_MAX_MD_SIZE];
    unsigned length;
    size_t n;

    if (!context || !EVP_DigestInit_ex(context, EVP_sha256(), NULL))
        return false;
    while ((n = fread(chunk, 1, sizeof chunk, in)) > 0)
        if (!EVP_DigestUpdate(context, chunk, n))
            return false;
    if (ferror(in) || !EVP_DigestFinal_ex(context, digest, &length))
        return false;
    for (unsigned k = 0; k < length; k++)
        snprintf(text + 2 * k, DIGEST_TEXT - 2 * k, "%02x", digest[k]);
    return true;
}

bool digest_file(const char *path, char text[static DIGEST_TEXT], struct err *err)
{
    FILE *in = fopen(path, "rb");
    if (!in)
        return err_set(err, ERR_INPUT, "cannot open '%s': %s", path, strerror(errno));
    EVP_MD_CTX *context = EVP_MD_CTX_new();
    bool good = digest_stream(in, context, text);
    EVP_MD_CTX_free(context);
    fclose(in);
    return good || err_set(err, ERR_INPUT, "cannot read '%s': %s", path, strerror(errno));
}
