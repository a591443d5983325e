#include "openmetrics.h"

#include <inttypes.h>

void openmetrics_family(FILE *out, const char *name, const char *type, const char *unit, const char *help)
{
    fprintf(out, "# TYPE vaneward_%s %s\n", name, type);
    if (unit)
        fprintf(out, "# UNIT vaneward_%s %s\n", name, unit);
    fprintf(out, "# HELP vaneward_%s %s\n", name, help);
}

void openmetrics_counter(FILE *out, const char *name, const char *help, int64_t value)
{
    openmetrics_family(out, name, "counter", NULL, help);
    fprintf(out, "vaneward_%s_total %" PRId64 "\n", name, value);
}

void openmetrics_gauge(FILE *out, const char *name, const char *unit, const char *help, int64_t value)
{
    openmetrics_family(out, name, "gauge", unit, help);
    fprintf(out, "vaneward_%s %" PRId64 "\n", name, value);
}

/* Backslash, quote and line end are the three that the format escapes. */
void openmetrics_label(FILE *out, const char *value)
{
    putc('"', out);
    for (; *value; value++) {
        if (*value == '\n') {
            fputs("\\n", out);
            continue;
        }
        if (*value == '"' || *value == '\\')
            putc('\\', out);
        putc(*value, out);
    }
    putc('"', out);
}
