#include "db_link.h"

#include <stdlib.h>
#include <string.h>

static const char *option(const PQconninfoOption *options, const char *keyword)
{
    for (const PQconninfoOption *o = options; o && o->keyword; o++)
        if (!strcmp(o->keyword, keyword))
            return o->val && *o->val ? o->val : NULL;
    return NULL;
}

static size_t entries(const char *list)
{
    size_t n = 1;
    if (!list)
        return 0;
    for (; *list; list++)
        n += *list == ',';
    return n;
}

/* An empty entry stands for a default that cannot be named for one host alone. */
static bool has_empty_entry(const char *list)
{
    return list && (*list == ',' || strstr(list, ",,") || list[strlen(list) - 1] == ',');
}

/* Entry k of a list of n; the one entry of a list of one. NULL: there is none, or no memory. */
static char *entry(const char *list, size_t n, size_t k)
{
    if (!list)
        return NULL;
    for (; n > 1 && k; k--)
        list = strchr(list, ',') + 1;
    return strndup(list, strcspn(list, ","));
}

static bool split(struct link_hosts *hosts, const char *host, const char *hostaddr, const char *port)
{
    size_t n = entries(hostaddr ? hostaddr : host), ports = entries(port);
    if (n < 2 || (host && entries(host) != n) || (ports > 1 && ports != n) || has_empty_entry(host) ||
        has_empty_entry(hostaddr) || has_empty_entry(port))
        return true; /* one, or for libpq to complain about */
    hosts->all = calloc(n, sizeof *hosts->all);
    if (!hosts->all)
        return false;
    for (hosts->count = 0; hosts->count < n; hosts->count++) {
        size_t k = hosts->count;
        hosts->all[k] = (struct link_host){entry(host, n, k), entry(hostaddr, n, k), entry(port, ports, k)};
    }
    return true;
}

bool link_hosts_read(struct link_hosts *hosts, const char *conninfo, struct err *err)
{
    PQconninfoOption *given = PQconninfoParse(conninfo ? conninfo : "", NULL);
    PQconninfoOption *defaults = PQconndefaults();
    const char *host = option(given, "host"), *hostaddr = option(given, "hostaddr");
    const char *port = option(given, "port");
    bool named = host || hostaddr, good = true;

    *hosts = (struct link_hosts){0};
    if (!named) {
        host = option(defaults, "host");
        hostaddr = option(defaults, "hostaddr");
    }
    if (!port)
        port = option(defaults, "port");
    if (!option(given, "service"))
        good = split(hosts, host, hostaddr, port);
    PQconninfoFree(given);
    PQconninfoFree(defaults);
    if (!hosts->count)
        hosts->count = 1;
    return good || err_set(err, ERR_SYSTEM, "no memory for the hosts of the database");
}

void link_hosts_free(struct link_hosts *hosts)
{
    for (size_t k = 0; hosts->all && k < hosts->count; k++) {
        free(hosts->all[k].host);
        free(hosts->all[k].hostaddr);
        free(hosts->all[k].port);
    }
    free(hosts->all);
}
