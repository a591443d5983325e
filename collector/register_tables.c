#include "register_tables.h"

#include <string.h>

static const char *const papers[] = {"A4", "Letter", NULL};
static const char *const positions[] = {"internal-1", "internal-2", "heat-sink", NULL};
static const char *const formats[] = {"mtconnect", "feed", NULL};
static const char *const roles[] = {"fan_speed",    "drive_condition", "axis_condition",
                                    "availability", "power",           NULL};
static const char *const kinds[] = {"fan_warning",         "fan_alarm", "heat_sink_fan_alarm",
                                    "builder_fan_message", "other",     NULL};
static const char *const actions[] = {"cleaned", "reseated", "replaced", "housing", "connector",
                                      "board",   "drive",    "none",     NULL};
static const char *const reasons[] = {"alarm", "warning", "predicted", "age", "opportunity", NULL};
static const char *const findings[] = {"worn",  "blocked", "dirty",   "loose", "connector",
                                       "board", "none",    "unknown", NULL};

/* What a column can be, for the tables below. */
#define KEY(n)                                                                                               \
    {                                                                                                        \
        .name = (n), .type = COLUMN_KEY, .use = COLUMN_IN_KEY                                                \
    }
#define KEY_OF(n, kind)                                                                                      \
    {                                                                                                        \
        .name = (n), .type = COLUMN_KEY, .use = COLUMN_IN_KEY, .refers_to = (kind) + 1                       \
    }
#define OWNER(n, kind)                                                                                       \
    {                                                                                                        \
        .name = (n), .type = COLUMN_KEY, .use = COLUMN_REQUIRED, .refers_to = (kind) + 1                     \
    }
#define LINK(n, kind)                                                                                        \
    {                                                                                                        \
        .name = (n), .type = COLUMN_KEY, .refers_to = (kind) + 1                                             \
    }
#define PLAIN(n, t)                                                                                          \
    {                                                                                                        \
        .name = (n), .type = (t)                                                                             \
    }
#define NUMBER(n, t, low, high)                                                                              \
    {                                                                                                        \
        .name = (n), .type = (t), .min = (low), .max = (high)                                                \
    }
#define WORD(n, list)                                                                                        \
    {                                                                                                        \
        .name = (n), .type = COLUMN_WORD, .words = (list)                                                    \
    }
#define WORD_NEEDED(n, list)                                                                                 \
    {                                                                                                        \
        .name = (n), .type = COLUMN_WORD, .words = (list), .use = COLUMN_REQUIRED                            \
    }
#define POSITION_KEY                                                                                         \
    {                                                                                                        \
        .name = "position", .type = COLUMN_WORD, .words = positions, .use = COLUMN_IN_KEY                    \
    }

enum {
    MOST_MONEY = 1000000000,
    MOST_RPM = 100000,
    MOST_DAYS = 3650,
    MOST_PIECES = 1000000,
    MOST_HOURS = 10000000,
    DAY_S = 86400
};

const struct register_table register_tables[REGISTER_KINDS] = {
    [REGISTER_SITES] = {"sites",
                        "site",
                        {KEY("site"),
                         PLAIN("name", COLUMN_TEXT),
                         {.name = "time_zone", .type = COLUMN_ZONE, .when_empty = "UTC"},
                         {.name = "paper", .type = COLUMN_WORD, .words = papers, .when_empty = "A4"},
                         PLAIN("email", COLUMN_EMAIL),
                         PLAIN("lockout_procedure", COLUMN_TEXT),
                         PLAIN("networks", COLUMN_NETWORKS)}},
    [REGISTER_MACHINES] = {"machines",
                           "machine",
                           {KEY("machine"), OWNER("site", REGISTER_SITES), PLAIN("name", COLUMN_TEXT),
                            PLAIN("location", COLUMN_TEXT), PLAIN("controller", COLUMN_NAME),
                            PLAIN("asset_number", COLUMN_TEXT),
                            NUMBER("stop_cost_per_hour", COLUMN_MONEY, 0, MOST_MONEY),
                            PLAIN("currency", COLUMN_CURRENCY),
                            NUMBER("stop_hours", COLUMN_DECIMAL, 0, 10000),
                            PLAIN("lockout_procedure", COLUMN_TEXT)}},
    [REGISTER_DRIVE_MODELS] = {"drive_models",
                               "drive_model",
                               {KEY("drive_model"), PLAIN("description", COLUMN_TEXT),
                                PLAIN("reports_speed", COLUMN_YES_NO),
                                NUMBER("internal_fans", COLUMN_INTEGER, 0, 2),
                                NUMBER("warning_to_alarm_s", COLUMN_INTEGER, 0, DAY_S)}},
    [REGISTER_DRIVES] = {"drives",
                         "drive",
                         {KEY("drive"), OWNER("machine", REGISTER_MACHINES),
                          LINK("drive_model", REGISTER_DRIVE_MODELS), PLAIN("cabinet_slot", COLUMN_TEXT),
                          PLAIN("serial", COLUMN_TEXT), NUMBER("waiting_time_min", COLUMN_DECIMAL, 0, 1440),
                          PLAIN("obstructed", COLUMN_YES_NO), PLAIN("warning_hidden", COLUMN_YES_NO)}},
    [REGISTER_AXES] = {"axes",
                       "axis",
                       {KEY("axis"), OWNER("machine", REGISTER_MACHINES), LINK("drive", REGISTER_DRIVES)}},
    [REGISTER_PARTS] = {"parts",
                        "part",
                        {KEY("part"), PLAIN("description", COLUMN_TEXT),
                         NUMBER("unit_price", COLUMN_MONEY, 0, MOST_MONEY),
                         PLAIN("currency", COLUMN_CURRENCY),
                         NUMBER("lead_time_days", COLUMN_DECIMAL, 0, MOST_DAYS),
                         NUMBER("lead_time_sd_days", COLUMN_DECIMAL, 0, MOST_DAYS),
                         NUMBER("order_multiple", COLUMN_INTEGER, 1, MOST_PIECES),
                         NUMBER("minimum_order", COLUMN_INTEGER, 1, MOST_PIECES),
                         PLAIN("supersedes", COLUMN_KEY), /* the old part need not be listed any more */
                         PLAIN("last_order_on", COLUMN_DATE)}},
    [REGISTER_FAN_MODELS] = {"fan_models",
                             "fan_model",
                             {KEY("fan_model"), LINK("part", REGISTER_PARTS),
                              NUMBER("rated_rpm", COLUMN_DECIMAL, 1, MOST_RPM),
                              NUMBER("warning_rpm", COLUMN_DECIMAL, 1, MOST_RPM),
                              NUMBER("l10_hours", COLUMN_DECIMAL, 1, MOST_HOURS),
                              NUMBER("l10_temperature_c", COLUMN_DECIMAL, -50, 150)}},
    [REGISTER_FITMENTS] = {"fitments",
                           "fitment",
                           {KEY_OF("drive_model", REGISTER_DRIVE_MODELS), POSITION_KEY,
                            KEY_OF("fan_model", REGISTER_FAN_MODELS)}},
    [REGISTER_FANS] =
        {"fans",
         "fan",
         {KEY_OF("drive", REGISTER_DRIVES),
          POSITION_KEY,
          LINK("fan_model", REGISTER_FAN_MODELS),
          {.name = "installed_on", .type = COLUMN_DATE, .past = true},
          NUMBER("hours_at_install", COLUMN_DECIMAL, 0, MOST_HOURS)}},
    [REGISTER_STOCK] =
        {"stock",
         "stock",
         {KEY_OF("site", REGISTER_SITES),
          KEY_OF("part", REGISTER_PARTS),
          {.name = "on_hand", .type = COLUMN_INTEGER, .use = COLUMN_REQUIRED, .min = 0, .max = MOST_PIECES},
          {.name = "on_order", .type = COLUMN_INTEGER, .min = 0, .max = MOST_PIECES, .when_empty = "0"},
          PLAIN("due_on", COLUMN_DATE),
          {.name = "counted_on", .type = COLUMN_DATE, .past = true}}},
    [REGISTER_SOURCES] =
        {"sources",
         "source",
         {KEY("source"),
          OWNER("site", REGISTER_SITES),
          {.name = "url", .type = COLUMN_URL, .use = COLUMN_REQUIRED},
          WORD_NEEDED("format", formats),
          {.name = "period_s", .type = COLUMN_INTEGER, .min = 1, .max = DAY_S, .when_empty = "60"},
          PLAIN("credential", COLUMN_CREDENTIAL),
          PLAIN("ca_file", COLUMN_PATH),
          PLAIN("pinned_key", COLUMN_PIN)}},
    [REGISTER_BINDINGS] = {"bindings",
                           "binding",
                           {KEY_OF("source", REGISTER_SOURCES),
                            {.name = "device", .type = COLUMN_NAME, .use = COLUMN_IN_KEY},
                            {.name = "item", .type = COLUMN_NAME, .use = COLUMN_IN_KEY},
                            WORD_NEEDED("role", roles),
                            LINK("drive", REGISTER_DRIVES),
                            WORD("position", positions),
                            LINK("axis", REGISTER_AXES),
                            PLAIN("reason", COLUMN_REMARK)}}, /* as 'discover' prints it */
    [REGISTER_CODE_MAP] = {"code_map",
                           "code_map",
                           {{.name = "controller", .type = COLUMN_NAME, .use = COLUMN_IN_KEY},
                            {.name = "native_code", .type = COLUMN_NAME, .use = COLUMN_IN_KEY},
                            WORD_NEEDED("kind", kinds)}},
    [REGISTER_WORK] = {"work",
                       "work",
                       {KEY_OF("drive", REGISTER_DRIVES),
                        POSITION_KEY,
                        {.name = "done_at", .type = COLUMN_MOMENT, .use = COLUMN_IN_KEY, .past = true},
                        {.name = "action", .type = COLUMN_WORD, .words = actions, .use = COLUMN_IN_KEY},
                        WORD("reason", reasons),
                        WORD("finding", findings),
                        PLAIN("technician", COLUMN_TEXT),
                        NUMBER("rpm_before", COLUMN_DECIMAL, 0, MOST_RPM),
                        NUMBER("rpm_after", COLUMN_DECIMAL, 0, MOST_RPM),
                        LINK("part", REGISTER_PARTS),
                        PLAIN("note", COLUMN_TEXT)}},
};

bool register_kind_of(const char *path, enum register_kind *kind)
{
    const char *slash = strrchr(path, '/');
    const char *name = slash ? slash + 1 : path;
    for (int k = 0; k < REGISTER_KINDS; k++) {
        size_t n = strlen(register_tables[k].file);
        if (strncmp(name, register_tables[k].file, n) == 0 && strcmp(name + n, ".csv") == 0) {
            *kind = (enum register_kind)k;
            return true;
        }
    }
    return false;
}

int register_column_place(enum register_kind kind, const char *name)
{
    const struct register_column *columns = register_tables[kind].columns;
    for (int k = 0; columns[k].name; k++)
        if (strcmp(columns[k].name, name) == 0)
            return k;
    return -1;
}

size_t register_column_count(enum register_kind kind)
{
    size_t n = 0;
    while (register_tables[kind].columns[n].name)
        n++;
    return n;
}
