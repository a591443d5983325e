#include "networks.h"

#include "base/text.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <string.h>

static const unsigned char mapped_prefix[12] = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xff, 0xff};

static bool is_mapped(const unsigned char address[static 16])
{
    return memcmp(address, mapped_prefix, sizeof mapped_prefix) == 0;
}

static void map_v4(const unsigned char v4[static 4], unsigned char address[static 16])
{
    unsigned char kept[4];
    memcpy(kept, v4, sizeof kept);
    memcpy(address, mapped_prefix, sizeof mapped_prefix);
    memcpy(address + 12, kept, sizeof kept);
}

static bool is_within(const unsigned char address[static 16], const unsigned char *prefix, int bits)
{
    int whole = bits / 8, rest = bits % 8;
    if (memcmp(address, prefix, (size_t)whole) != 0)
        return false;
    return rest == 0 || ((address[whole] ^ prefix[whole]) >> (8 - rest)) == 0;
}

static bool has_bits_after(const struct network *n)
{
    for (int bit = n->bits; bit < 128; bit++)
        if (n->prefix[bit / 8] & (0x80 >> (bit % 8)))
            return true;
    return false;
}

static bool parse_one(const char *word, size_t length, struct network *out, struct err *err)
{
    char text[INET6_ADDRSTRLEN + 8];
    int64_t bits = -1;
    if (length >= sizeof text)
        return err_set(err, ERR_INPUT, "'%.*s' is not a network", (int)length, word);
    memcpy(text, word, length);
    text[length] = '\0';
    char *slash = strchr(text, '/');
    if (slash) {
        *slash = '\0';
        if (!text_int64(slash + 1, &bits))
            return err_set(err, ERR_INPUT, "'%.*s' is not a network", (int)length, word);
    }
    unsigned char v4[4];
    bool is_v4 = inet_pton(AF_INET, text, v4) == 1;
    if (is_v4)
        map_v4(v4, out->prefix);
    else if (inet_pton(AF_INET6, text, out->prefix) != 1)
        return err_set(err, ERR_INPUT, "'%.*s' is not a network", (int)length, word);
    int most = is_v4 ? 32 : 128;
    if (slash && (bits < 0 || bits > most))
        return err_set(err, ERR_INPUT, "'%.*s' has a length that is not 0 to %d", (int)length, word, most);
    out->bits = (slash ? (int)bits : most) + (is_v4 ? 96 : 0);
    out->is_v4 = is_v4 || (is_mapped(out->prefix) && out->bits >= 96);
    if (has_bits_after(out))
        return err_set(err, ERR_INPUT, "'%.*s' has address bits beyond its length", (int)length, word);
    return true;
}

bool networks_parse(const char *text, struct networks *out, struct err *err)
{
    *out = (struct networks){.count = 0};
    for (const char *at = text ? text : ""; *(at += strspn(at, " ")); at += strcspn(at, " ")) {
        if (out->count == NETWORKS_MOST)
            return err_set(err, ERR_INPUT, "there are more than %d networks", NETWORKS_MOST);
        if (!parse_one(at, strcspn(at, " "), &out->items[out->count], err))
            return false;
        out->count++;
    }
    return true;
}

/* An IPv4 address in another's clothes: NAT64 (RFC 6052), 6to4 (RFC 3056), "compatible" (RFC 4291). */
static void undress(unsigned char address[static 16])
{
    static const unsigned char nat64[12] = {0x00, 0x64, 0xff, 0x9b}, compatible[12] = {0};
    static const unsigned char six_to_four[2] = {0x20, 0x02};
    static const unsigned char low[3] = {0};
    bool is_compatible =
        memcmp(address, compatible, sizeof compatible) == 0 && memcmp(address + 12, low, sizeof low) != 0;
    if (is_compatible || memcmp(address, nat64, sizeof nat64) == 0)
        map_v4(address + 12, address);
    else if (memcmp(address, six_to_four, sizeof six_to_four) == 0)
        map_v4(address + 2, address);
}

static bool bytes_of(const struct sockaddr *from, unsigned char address[static 16])
{
    if (from->sa_family == AF_INET) {
        struct sockaddr_in v4;
        memcpy(&v4, from, sizeof v4);
        map_v4((const unsigned char *)&v4.sin_addr, address);
        return true;
    }
    if (from->sa_family != AF_INET6)
        return false;
    struct sockaddr_in6 v6;
    memcpy(&v6, from, sizeof v6);
    memcpy(address, &v6.sin6_addr, 16);
    undress(address);
    return true;
}

enum special { SPECIAL_NOWHERE, SPECIAL_LOOPBACK, SPECIAL_LOCAL };

#define V4(a, b, c, d, length)                                                                               \
    {                                                                                                        \
        .prefix = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xff, 0xff, a, b, c, d}, .bits = 96 + (length),             \
        .is_v4 = true                                                                                        \
    }

/* IANA special-purpose registries; RFC 1122, 3927, 4291, 5771. fd00:ec2::254 serves machine metadata. */
static const struct {
    struct network range;
    enum special what;
    const char *why;
} specials[] = {
    {V4(0, 0, 0, 0, 8), SPECIAL_NOWHERE, "it is the unspecified address"},
    {{.bits = 128}, SPECIAL_NOWHERE, "it is the unspecified address"},
    {V4(224, 0, 0, 0, 4), SPECIAL_NOWHERE, "it is a multicast address"},
    {{.prefix = {0xff}, .bits = 8}, SPECIAL_NOWHERE, "it is a multicast address"},
    {V4(240, 0, 0, 0, 4), SPECIAL_NOWHERE, "it is a reserved address"},
    {V4(127, 0, 0, 0, 8), SPECIAL_LOOPBACK, "it is a loopback address, which the url does not name"},
    {{.prefix = {[15] = 1}, .bits = 128},
     SPECIAL_LOOPBACK,
     "it is a loopback address, which the url does not name"},
    {V4(169, 254, 0, 0, 16), SPECIAL_LOCAL, "it is a link-local address"},
    {{.prefix = {0xfe, 0x80}, .bits = 10}, SPECIAL_LOCAL, "it is a link-local address"},
    {{.prefix = {0xfd, 0x00, 0x0e, 0xc2, [14] = 0x02, [15] = 0x54}, .bits = 128},
     SPECIAL_LOCAL,
     "it is an address of machine metadata"},
};

static bool is_in(const unsigned char address[static 16], const struct network *n)
{
    return n->is_v4 == is_mapped(address) && is_within(address, n->prefix, n->bits);
}

/* Its place in the table of special ranges, or -1. */
static int special_of(const unsigned char address[static 16])
{
    for (size_t k = 0; k < sizeof specials / sizeof *specials; k++)
        if (is_in(address, &specials[k].range))
            return (int)k;
    return -1;
}

const char *networks_why_not(const struct networks *n, const struct sockaddr *from, bool loopback_named)
{
    unsigned char address[16];
    if (!bytes_of(from, address))
        return "it is no IP address";
    int special = special_of(address);
    if (special >= 0 && specials[special].what == SPECIAL_NOWHERE)
        return specials[special].why;
    for (size_t k = 0; k < n->count; k++)
        if (is_in(address, &n->items[k]))
            return NULL;
    if (n->count)
        return "it is not in the networks of the site";
    if (special < 0 || (specials[special].what == SPECIAL_LOOPBACK && loopback_named))
        return NULL;
    return specials[special].why;
}
