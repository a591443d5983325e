#include "digest.h"

#include <openssl/evp.h>
#include <openssl/hmac.h>

#include <errno.h>
#include <stdio.h>
#include <string.h>

static void write_hex(const unsigned char *digest, unsigned length, char text[static DIGEST_TEXT])
{
    for (unsigned k = 0; k < length; k++)
        snprintf(text + 2 * k, DIGEST_TEXT - 2 * k, "%02x", digest[k]);
}

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
    write_hex(digest, length, text);
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

void digest_hmac(const void *key, size_t key_size, const void *bytes, size_t size,
                 char text[static DIGEST_TEXT])
{
    unsigned char digest[EVP_MAX_MD_SIZE];
    unsigned length;
    if (!HMAC(EVP_sha256(), key, (int)key_size, bytes, size, digest, &length))
        BUG("no HMAC-SHA-256");
    write_hex(digest, length, text);
}
