#include "primary.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"
#include "queries.h"
#include "whole_file.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum { IDENTIFIER, TIMELINE };

static const char FILE_NAME[] = "database-primary";

/* The file holds one line: identifier and timeline. */
static bool read_line(struct primary *p, FILE *in, struct err *err)
{
    char timeline[32] = "";
    if (fscanf(in, "%31[0-9] %31[0-9]", p->identifier, timeline) == 2 && text_int64(timeline, &p->timeline))
        return true;
    err_set(err, ERR_CONFIG, "'%s' does not hold the identifier and timeline of a database", p->path);
    return err_hint(err, "remove it when no old primary can come back");
}

bool primary_open(struct primary *p, const char *dir, struct err *err)
{
    *p = (struct primary){.refused_us = TIME_UNKNOWN};
    if (!dir || !*dir)
        return true;
    if (snprintf(p->path, sizeof p->path, "%s/%s", dir, FILE_NAME) >= (int)sizeof p->path)
        return err_set(err, ERR_CONFIG, "the name of the folder for state is too long");
    FILE *in = fopen(p->path, "r");
    if (!in && errno == ENOENT)
        return access(dir, W_OK | X_OK) == 0 ||
               err_set(err, ERR_CONFIG, "cannot keep state in '%s': %s", dir, strerror(errno));
    if (!in)
        return err_set(err, ERR_CONFIG, "cannot read '%s': %s", p->path, strerror(errno));
    bool good = read_line(p, in, err);
    fclose(in);
    return good;
}

/* What cannot be kept on disk is still known to this run. */
static void keep(const struct primary *p)
{
    struct err why = {0};
    char line[80];
    if (!p->path[0])
        return;
    int n = snprintf(line, sizeof line, "%s %" PRId64 "\n", p->identifier, p->timeline);
    if (!whole_file_write(p->path, WHOLE_FILE_KEPT, line, (size_t)n, &why))
        log_warn("database.primary_not_kept", "why='%s'", why.text);
}

/* False with *err set: another system, or an earlier timeline than the one that is known. */
static bool is_good(const struct primary *p, const char *identifier, int64_t timeline, struct err *err)
{
    if (p->identifier[0] && strcmp(identifier, p->identifier) != 0)
        err_set(err, ERR_UNAVAILABLE, "the server is another database system (%s, known is %s)", identifier,
                p->identifier);
    else if (timeline < p->timeline)
        err_set(err, ERR_UNAVAILABLE, "the server is an old primary: timeline %" PRId64 ", known is %" PRId64,
                timeline, p->timeline);
    else
        return true;
    if (p->path[0])
        err_hint(err, "take the old server away; if the database was made anew on purpose, remove '%s'",
                 p->path);
    return false;
}

static void note_refusal(struct primary *p, const struct err *why)
{
    if (!p->told)
        log_error("database.old_primary", "why='%s'", why->text);
    p->told = true;
    p->refusals++;
    p->refused_us = clock_now_us();
    snprintf(p->refused_why, sizeof p->refused_why, "%s", why->text);
}

static bool compare(struct primary *p, const char *identifier, int64_t timeline, struct err *err)
{
    bool is_first = !p->identifier[0];
    if (!is_good(p, identifier, timeline, err)) {
        note_refusal(p, err);
        return false;
    }
    p->told = false;
    if (!is_first && timeline == p->timeline)
        return true;
    if (!is_first)
        log_warn("database.new_primary", "timeline=%" PRId64 " before=%" PRId64, timeline, p->timeline);
    snprintf(p->identifier, sizeof p->identifier, "%s", identifier);
    p->timeline = timeline;
    keep(p);
    return true;
}

bool primary_accept(void *primary, struct db *db, struct err *err)
{
    struct err why = {0};
    struct rows *rows;
    if (!db_query(db, &q_server_identity, NULL, 0, &rows, &why)) {
        if (strcmp(why.sqlstate, "42501") != 0) {
            *err = why;
            return false;
        }
        log_warn("database.identity_hidden", "why='%s'", why.text); /* the rights were taken away */
        return true;
    }
    bool is_standby = rows_null(rows, 0, TIMELINE);
    bool good = is_standby
                    ? err_set(err, ERR_UNAVAILABLE, "the server is a standby: it takes no writes")
                    : compare(primary, rows_text(rows, 0, IDENTIFIER), rows_int(rows, 0, TIMELINE), err);
    rows_free(rows);
    return good;
}

void primary_look(struct primary *p, const char *dir)
{
    struct err none = {0};
    if (!primary_open(p, dir, &none))
        *p = (struct primary){.refused_us = TIME_UNKNOWN};
}

bool primary_may_be_read(void *primary, struct db *db, struct err *err)
{
    const struct primary *p = primary;
    struct err hidden = {0};
    struct rows *rows;
    if (!p->identifier[0] || !db_query(db, &q_server_identity, NULL, 0, &rows, &hidden))
        return true;
    int64_t timeline = rows_null(rows, 0, TIMELINE) ? p->timeline : rows_int(rows, 0, TIMELINE);
    bool good = is_good(p, rows_text(rows, 0, IDENTIFIER), timeline, err);
    rows_free(rows);
    return good;
}
