#include "register_report.h"

#include <jansson.h>

#include <stdio.h>
#include <string.h>

enum { MOST_PRINTED = 100 };

void register_print_issues(const struct register_load *r)
{
    size_t printed = r->issue_count < MOST_PRINTED ? r->issue_count : MOST_PRINTED;
    for (size_t k = 0; k < printed; k++)
        fprintf(stderr, "%s\n", r->issues[k].text);
    if (r->issue_count > printed)
        fprintf(stderr, "and %zu more\n", r->issue_count - printed);
}

static void print_text(const struct register_load *r, const struct register_outcome *outcomes)
{
    for (size_t k = 0; k < r->file_count; k++) {
        size_t rows = r->files[k]->count;
        printf("%s: %zu row%s (%lld new, %lld changed, %lld same)\n", r->files[k]->path, rows,
               rows == 1 ? "" : "s", (long long)outcomes[k].added, (long long)outcomes[k].changed,
               (long long)outcomes[k].same);
    }
}

static json_t *as_json(const struct register_load *r, const struct register_outcome *outcomes)
{
    json_t *files = json_array();
    for (size_t k = 0; k < r->file_count; k++)
        json_array_append_new(
            files, json_pack("{s:s, s:s, s:I, s:I, s:I, s:I}", "file", r->files[k]->path, "kind",
                             register_tables[r->files[k]->kind].file, "rows", (json_int_t)r->files[k]->count,
                             "new", (json_int_t)outcomes[k].added, "changed", (json_int_t)outcomes[k].changed,
                             "same", (json_int_t)outcomes[k].same));
    return json_pack("{s:o, s:I}", "files", files, "fans_replaced_since", (json_int_t)r->replaced_since);
}

bool register_print_outcomes(const struct register_load *r, const struct register_outcome *outcomes,
                             bool json, struct err *err)
{
    if (r->replaced_since)
        fprintf(stderr,
                "notice: %zu fan%s in fans.csv %s replaced later, as work tells; the work records count\n",
                r->replaced_since, r->replaced_since == 1 ? "" : "s",
                r->replaced_since == 1 ? "was" : "were");
    if (!json) {
        print_text(r, outcomes);
        return true;
    }
    json_t *whole = as_json(r, outcomes);
    bool good = whole && json_dumpf(whole, stdout, JSON_INDENT(2)) == 0 && putchar('\n') != EOF;
    json_decref(whole);
    return good || err_set(err, ERR_OUTPUT, "cannot write the result");
}
