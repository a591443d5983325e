#include "base/clock.h"
#include "base/text.h"
#include "db_link.h"

#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { DEFAULT_DEADLINE_MS = 30000, CONNECT_TIMEOUT_S = 5 };

static const char HINT_FULL[] = "raise the connection limit of the role, the database or the server, or end "
                                "other sessions";

/* Where several hosts stand to choose from, one that takes no writes is passed over. */
static const char *session_attrs(const struct link_host *host)
{
    return host && !getenv("PGTARGETSESSIONATTRS") ? "read-write" : "";
}

static bool begin_connect(struct db *db, const char *conninfo, const char *application,
                          const struct link_host *host, struct err *err)
{
    /* A service file sets its own; so may the environment and, by standing later, the connection string. */
    bool defaults = !getenv("PGSERVICE") && !(conninfo && strstr(conninfo, "service"));
    char timeout[16];
    snprintf(timeout, sizeof timeout, "%d", CONNECT_TIMEOUT_S);
    const char *const pairs[][2] = {
        {"connect_timeout", getenv("PGCONNECT_TIMEOUT") ? "" : timeout},
        {"keepalives_idle", "3"},
        {"keepalives_interval", "1"},
        {"keepalives_count", "3"},
        {"tcp_user_timeout", "4000"},
        {"target_session_attrs", session_attrs(host)},
        {"dbname", conninfo},
        {"application_name", application},
        {"client_encoding", "UTF8"},
        {"host", host ? host->host : NULL},
        {"hostaddr", host ? host->hostaddr : NULL},
        {"port", host ? host->port : NULL},
    };
    enum { DEFAULTS = 6, PAIRS = sizeof pairs / sizeof *pairs };
    const char *keys[PAIRS + 1] = {0}, *values[PAIRS + 1] = {0};
    size_t n = 0;
    for (size_t k = defaults ? 0 : DEFAULTS; k < PAIRS; k++) {
        keys[n] = pairs[k][0];
        values[n++] = pairs[k][1];
    }

    db->conn = PQconnectStartParams(keys, values, 1);
    if (!db->conn)
        return err_set(err, ERR_SYSTEM, "no memory for a connection to the database");
    /* The SQLSTATE of a refused login stands only in the verbose form of the message. */
    PQsetErrorVerbosity(db->conn, PQERRORS_VERBOSE);
    return true;
}

/* connect_timeout, which libpq leaves to the caller here; for each host where several are left to libpq. */
static int64_t connect_ms(PGconn *conn)
{
    int64_t seconds = CONNECT_TIMEOUT_S, hosts = 1;
    PQconninfoOption *options = PQconninfo(conn);
    for (const PQconninfoOption *o = options; o && o->keyword; o++) {
        if (!o->val)
            continue;
        if (!strcmp(o->keyword, "connect_timeout") && !text_int64(o->val, &seconds))
            seconds = CONNECT_TIMEOUT_S;
        if (!strcmp(o->keyword, "host"))
            for (const char *p = o->val; *p; p++)
                hosts += *p == ',';
    }
    PQconninfoFree(options);
    return seconds > 0 ? seconds * hosts * 1000 : INT32_MAX;
}

static bool finish_connect(struct db *db, struct err *err)
{
    db->until_ms = clock_mono_ms() + connect_ms(db->conn);
    PostgresPollingStatusType next =
        PQstatus(db->conn) == CONNECTION_BAD ? PGRES_POLLING_FAILED : PGRES_POLLING_WRITING;
    while (next == PGRES_POLLING_READING || next == PGRES_POLLING_WRITING) {
        short events = next == PGRES_POLLING_READING ? POLLIN : POLLOUT;
        if (!link_wait(db, "cannot connect", &events, err))
            return false;
        next = PQconnectPoll(db->conn);
    }
    return next == PGRES_POLLING_OK;
}

/* The SQLSTATE in a verbose message, as in "FATAL:  28P01: password authentication failed". */
static bool state_in_message(const char *text, char state[static 6])
{
    for (const char *p = text; (p = strstr(p, ":  ")); p++) {
        if (strspn(p + 3, "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ") == 5 && p[8] == ':') {
            memcpy(state, p + 3, 5);
            return true;
        }
    }
    return false;
}

static bool connect_failed(struct db *db, struct err *err)
{
    if (err->kind != ERR_NONE) /* the wait has said why */
        return false;
    char why[1000], state[6] = "";
    snprintf(why, sizeof why, "%s", PQerrorMessage(db->conn));
    char *location = strstr(why, "\nLOCATION:");
    if (location)
        *location = '\0';
    link_one_line(why);
    bool login = state_in_message(PQerrorMessage(db->conn), state) &&
                 (!strncmp(state, "28", 2) || !strncmp(state, "3D", 2));
    err_set(err, login ? ERR_CONFIG : ERR_UNAVAILABLE, "cannot connect to the database: %s", why);
    memcpy(err->sqlstate, state, sizeof state);
    bool full = !strcmp(state, "53300");
    return err_hint(err, "%s", login ? link_hint_login : full ? HINT_FULL : link_hint_host);
}

/* A parse message can quote a piece of the string, so it is shown only where no password can stand in it. */
static bool conninfo_is_sound(const char *conninfo, struct err *err)
{
    char *why = NULL;
    PQconninfoOption *options = PQconninfoParse(conninfo, &why);
    bool plain_name = !strchr(conninfo, '=') && !strstr(conninfo, "://");
    bool sound = options || plain_name;
    if (!sound) {
        bool secret = strstr(conninfo, "pass") || strchr(conninfo, '@') || !why;
        err_set(err, ERR_CONFIG, "cannot read the connection string: %s",
                secret ? "it is not made of key=value pairs" : why);
        link_one_line(err->text);
    }
    PQconninfoFree(options);
    PQfreemem(why);
    return sound;
}

bool link_open(struct db *db, const char *conninfo, const char *application, const struct link_host *host,
               struct err *err)
{
    static const char pin[] =
        "SET search_path = pg_catalog, vaneward; SET TimeZone = 'UTC';"
        "SET DateStyle = 'ISO, YMD'; SET IntervalStyle = 'iso_8601';"
        "SET bytea_output = 'hex'; SET extra_float_digits = 1;"
        "SET client_min_messages = warning; SET client_connection_check_interval = '5s';"
        /* One who freezes inside a transaction keeps the others out no longer than this, unless the role's or
         * the session's settings name another time. */
        "SELECT set_config('idle_in_transaction_session_timeout', '20s', false)"
        " WHERE current_setting('idle_in_transaction_session_timeout') = '0'";
    char tag[32];
    if (conninfo && *conninfo && !conninfo_is_sound(conninfo, err))
        return false;
    if (!begin_connect(db, conninfo && *conninfo ? conninfo : NULL, application, host, err))
        return false;
    if (!finish_connect(db, err))
        return connect_failed(db, err);
    PQsetErrorVerbosity(db->conn, PQERRORS_DEFAULT);
    if (PQsetnonblocking(db->conn, 1) != 0)
        return link_lost(db, "cannot connect", err);
    db->deadline_ms = DEFAULT_DEADLINE_MS;
    link_restart_deadline(db);
    return link_simple(db, "cannot set up the session", pin, tag, err);
}
