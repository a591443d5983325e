#include "server.h"

#include "db.h"
#include "migrate.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <pwd.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

enum { MAX_SERVERS = 8, MAX_ARGS = 60, READY_S = 60, CONNINFO_TEXT = 200 };

struct server {
    pid_t owner, postmaster; /* 0: stopped */
    char folder[64], conninfo[CONNINFO_TEXT], loopback[CONNINFO_TEXT];
    char database[CONNINFO_TEXT]; /* the last one made */
    int port, databases;
    struct server_options options;
};

static struct server servers[MAX_SERVERS];
static char root[32];
static pid_t root_owner;

static _Noreturn PRINTF_LIKE(1, 2) void give_up(const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    fputs("private PostgreSQL: ", stderr);
    vfprintf(stderr, fmt, args);
    fputc('\n', stderr);
    va_end(args);
    exit(1);
}

/* The unprivileged user that the server runs as, or NULL when this process is not root's. */
static const struct passwd *server_user(void)
{
    if (geteuid() != 0)
        return NULL;
    const struct passwd *user = getpwnam("postgres");
    if (!user)
        user = getpwnam("nobody");
    if (!user)
        give_up("there is neither a user postgres nor nobody");
    return user;
}

/* In the child: a server never outlives the process that started it, even a killed one. */
static _Noreturn void become(const struct server *s, const struct passwd *user, const char *const *args)
{
    char log[100];
    pid_t parent = getppid();
    snprintf(log, sizeof log, "%s/log", s->folder);
    if (user && (setgid(user->pw_gid) != 0 || setuid(user->pw_uid) != 0))
        _exit(126);
    int fd = open(log, O_WRONLY | O_CREAT | O_APPEND, 0600);
    if (fd < 0 || chdir("/") != 0 || dup2(fd, STDOUT_FILENO) < 0 || dup2(fd, STDERR_FILENO) < 0)
        _exit(126);
    close(fd);
    /* Its own group: an interrupt from the terminal is for the tests. */
    setpgid(0, 0);
    prctl(PR_SET_PDEATHSIG, SIGQUIT);
    if (getppid() != parent)
        _exit(126);
    char path[200];
    snprintf(path, sizeof path, "%s/%s", POSTGRES_BIN, args[0]);
    char *argv[MAX_ARGS];
    size_t n = 0;
    for (; n < MAX_ARGS - 1 && args[n]; n++)
        argv[n] = strdup(args[n]);
    argv[n] = NULL;
    execv(path, argv);
    _exit(127);
}

static pid_t spawn(const struct server *s, const char *const *args)
{
    const struct passwd *user = server_user();
    pid_t pid = fork();
    if (pid < 0)
        give_up("cannot fork: %s", strerror(errno));
    if (pid == 0)
        become(s, user, args);
    return pid;
}

static int wait_for(pid_t pid)
{
    int status;
    while (waitpid(pid, &status, 0) < 0)
        if (errno != EINTR)
            return -1;
    return status;
}

static void print_log(const struct server *s)
{
    char path[100], line[500];
    snprintf(path, sizeof path, "%s/log", s->folder);
    FILE *in = fopen(path, "r");
    while (in && fgets(line, sizeof line, in))
        fprintf(stderr, "  %s", line);
    if (in)
        fclose(in);
}

static int remove_entry(const char *path, const struct stat *st, int type, struct FTW *walk)
{
    (void)st, (void)type, (void)walk;
    return remove(path);
}

static void remove_folder(const char *folder)
{
    nftw(folder, remove_entry, 16, FTW_DEPTH | FTW_PHYS);
}

/* A test's child inherits these handlers, the list and the folder, but owns none of them. */
static void remove_all(void)
{
    for (struct server *s = servers; s < servers + MAX_SERVERS; s++)
        if (s->owner == getpid())
            server_remove(s);
    if (root_owner == getpid())
        remove_folder(root);
}

static void make_folder(char *folder, bool is_template)
{
    const struct passwd *user = server_user();
    if ((is_template ? !mkdtemp(folder) : mkdir(folder, 0700) != 0) ||
        (user && chown(folder, user->pw_uid, user->pw_gid) != 0))
        give_up("cannot make '%s': %s", folder, strerror(errno));
}

/* The folders of all servers lie in one, so that those of a test that failed in its child go as well. */
static void make_root(void)
{
    if (root_owner)
        return;
    snprintf(root, sizeof root, "/tmp/vaneward-test-XXXXXX");
    make_folder(root, true);
    root_owner = getpid();
}

static void make_data(struct server *s)
{
    char data[100];
    snprintf(s->folder, sizeof s->folder, "%s/%d-%d", root, getpid(), (int)(s - servers));
    make_folder(s->folder, false);
    snprintf(data, sizeof data, "%s/data", s->folder);
    const char *const args[] = {"initdb",    "-D",    data, "-U",   "vaneward",
                                "-A",        "trust", "-E", "UTF8", "--locale=C.UTF-8",
                                "--no-sync", NULL};
    if (wait_for(spawn(s, args)) != 0) {
        print_log(s);
        give_up("initdb failed");
    }
}

/* A port that is free now; another process may take it before the server does, then the server ends at once.
 */
static int free_port(void)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof at;
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    if (fd < 0 || bind(fd, (struct sockaddr *)&at, size) != 0 ||
        getsockname(fd, (struct sockaddr *)&at, &size) != 0)
        give_up("no free port: %s", strerror(errno));
    close(fd);
    return ntohs(at.sin_port);
}

static void wait_until_ready(struct server *s)
{
    struct err err = {0};
    for (int k = 0; k < READY_S * 50; k++) {
        struct db *db;
        err_clear(&err);
        if (db_open(&db, s->conninfo, "test", &err)) {
            db_close(db);
            return;
        }
        int status;
        if (waitpid(s->postmaster, &status, WNOHANG) == s->postmaster) {
            s->postmaster = 0;
            break;
        }
        usleep(20000);
    }
    print_log(s);
    give_up("the server does not become ready: %s", err.text);
}

void server_start_again(struct server *s)
{
    char data[100], port[16];
    snprintf(data, sizeof data, "%s/data", s->folder);
    snprintf(port, sizeof port, "%d", s->port);
    const char *args[MAX_ARGS] = {
        "postgres",           "-D", data, "-k", s->folder, "-p", port, "-c", "shared_buffers=32MB", "-c",
        "max_connections=30",
    };
    size_t n = 11;
    args[n++] = "-c";
    args[n++] = s->options.loopback ? "listen_addresses=127.0.0.1" : "listen_addresses=";
    if (!s->options.durable) {
        args[n++] = "-c";
        args[n++] = "fsync=off";
    }
    for (const char *const *extra = s->options.settings; extra && *extra && n < MAX_ARGS - 2; extra++) {
        args[n++] = "-c";
        args[n++] = *extra;
    }
    s->postmaster = spawn(s, args);
    wait_until_ready(s);
}

void server_stop(struct server *s, int with_signal)
{
    if (s->owner != getpid())
        give_up("only the process that started a server may stop it");
    if (!s->postmaster)
        return;
    kill(s->postmaster, with_signal);
    wait_for(s->postmaster);
    s->postmaster = 0;
}

void server_remove(struct server *s)
{
    server_stop(s, SIGINT);
    remove_folder(s->folder);
    s->owner = 0;
}

struct server *server_start(const struct server_options *options)
{
    static pid_t registered; /* a child has its parent's handler */
    struct server *s = servers;
    while (s < servers + MAX_SERVERS && s->owner)
        s++;
    if (s == servers + MAX_SERVERS)
        give_up("too many servers");
    if (!registered) {
        atexit(remove_all);
        registered = getpid();
    }
    *s = (struct server){.owner = getpid(), .port = 5432};
    if (options)
        s->options = *options;
    if (s->options.loopback)
        s->port = free_port();
    make_root();
    make_data(s);
    snprintf(s->conninfo, sizeof s->conninfo, "host=%s port=%d user=vaneward dbname=postgres", s->folder,
             s->port);
    snprintf(s->loopback, sizeof s->loopback, "host=127.0.0.1 port=%d user=vaneward dbname=postgres",
             s->port);
    server_start_again(s);
    return s;
}

const char *server_conninfo(const struct server *s)
{
    return s->conninfo;
}

const char *server_loopback_conninfo(const struct server *s)
{
    return s->loopback;
}

int server_port(const struct server *s)
{
    return s->port;
}

pid_t server_pid(const struct server *s)
{
    return s->postmaster;
}

static const char *conninfo_of(struct server *s, const char *database)
{
    snprintf(s->database, sizeof s->database, "host=%s port=%d user=vaneward dbname=%s", s->folder, s->port,
             database);
    return s->database;
}

static struct db *open_or_give_up(const char *conninfo)
{
    struct err err = {0};
    struct db *db;
    if (!db_open(&db, conninfo, "test", &err))
        give_up("%s", err.text);
    return db;
}

/* False when there is one of that name. */
static bool create_database(struct server *s, const char *name, const char *template)
{
    struct err err = {0};
    char sql[200];
    struct db *db = open_or_give_up(s->conninfo);
    snprintf(sql, sizeof sql, "CREATE DATABASE %s TEMPLATE %s", name, template);
    bool made = db_script(db, name, sql, &err);
    if (!made && strcmp(err.sqlstate, "42P04") != 0)
        give_up("%s", err.text);
    db_close(db);
    return made;
}

static const char *new_database(struct server *s, const char *template)
{
    char name[64];
    snprintf(name, sizeof name, "test_%d_%d", getpid(), ++s->databases);
    if (!create_database(s, name, template))
        give_up("database '%s' is there already", name);
    return conninfo_of(s, name);
}

const char *server_empty_database(struct server *s)
{
    return new_database(s, "template0");
}

const char *server_prepared_database(struct server *s)
{
    if (create_database(s, "prepared", "template0")) {
        struct err err = {0};
        struct db *db = open_or_give_up(conninfo_of(s, "prepared"));
        int applied;
        if (!migrate(db, &applied, &err))
            give_up("%s", err.text);
        db_close(db);
    }
    return new_database(s, "prepared");
}
