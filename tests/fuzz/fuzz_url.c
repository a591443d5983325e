#include "fetch_url.h"

#include "base/arena.h"

#include <stdint.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* What is accepted is plain, absolute, and without anybody's name; what is refused is refused with a reason.
 */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct arena *mem = arena_new(SIZE_MAX);
    const char *url = arena_strndup(mem, (const char *)data, size);
    struct url_facts facts = {false, false};
    struct err err = {0};

    if (!url_check(url, &facts, &err)) {
        if (err.kind != ERR_INPUT || !err.text[0])
            BUG("'%s' is refused without a reason", url);
    } else {
        const char *host = url + (facts.is_https ? 8 : 7);
        if (strncasecmp(url, facts.is_https ? "https://" : "http://", facts.is_https ? 8 : 7) != 0 ||
            strpbrk(url, " \t\r\n\\#") || memchr(host, '@', strcspn(host, "/?")))
            BUG("'%s' is accepted", url);
        if (facts.names_loopback && strncasecmp(host, "localhost", 9) != 0 && strncmp(host, "127.", 4) != 0 &&
            strncmp(host, "[::1]", 5) != 0)
            BUG("'%s' names no loopback", url);
    }
    arena_free(mem);
    return 0;
}
