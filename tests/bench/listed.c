#include "listed.h"

#include <stdio.h>

/* Table n (source, site, fan, fan_no) must be there: from it come machines, drives and fans. */
static const char things[] =
    "INSERT INTO vaneward.part (part, unit_price, currency, lead_time_days) VALUES ('p', 40, 'EUR', 14);"
    "INSERT INTO vaneward.fan_model (fan_model, part, rated_rpm, warning_rpm, l10_hours)"
    " VALUES ('fm', 'p', 8000, 1500, 40000);"
    "INSERT INTO vaneward.drive_model (drive_model, reports_speed, internal_fans, warning_to_alarm_s)"
    " VALUES ('dm', true, 2, 60);"
    "INSERT INTO vaneward.site (site, networks) SELECT DISTINCT site, '127.0.0.0/8' FROM n;"
    "INSERT INTO vaneward.machine (site, machine, controller, stop_cost_per_hour, currency, stop_hours)"
    " SELECT DISTINCT site, 'm' || source, 'c', 500, 'EUR', 4 FROM n;"
    "INSERT INTO vaneward.drive (site, drive, machine, drive_model)"
    " SELECT site, 'd' || source || '-' || fan / 2, 'm' || source, 'dm' FROM n WHERE fan % 2 = 0;"
    "INSERT INTO vaneward.fan (site, drive, position, fan_no, fan_model, installed_on, hours_at_install)"
    " SELECT site, 'd' || source || '-' || fan / 2, 'internal-' || 1 + fan % 2, fan_no, 'fm',"
    "        date '2020-01-01' + fan_no % 1500, 0 FROM n;";

void listed_sources(struct ground *g, const struct mock *m, char format, int sites, int period_s)
{
    char sql[2000];
    ground_do(g, "SET session_replication_role = replica"); /* keys are right by construction */
    snprintf(sql, sizeof sql,
             "CREATE TEMP TABLE n AS SELECT s AS source, 'site-' || s %% %d AS site, f AS fan,"
             " (s / %d) * %u + f + 1 AS fan_no"
             " FROM generate_series(0, %u) s, generate_series(0, %u) f",
             sites, sites, m->options.fans, m->options.sources - 1, m->options.fans - 1);
    ground_do(g, sql);
    ground_do(g, things);
    snprintf(sql, sizeof sql,
             "INSERT INTO vaneward.source (site, source, url, format, period_s, ca_file)"
             " SELECT site, source, format('%s://127.0.1.%%s:%%s/%c%%s', 1 + source %% %d, %u + source / %d,"
             " source), '%s', %d, nullif('%s', '') FROM n WHERE fan = 0;"
             "INSERT INTO vaneward.binding (site, source, device, item, role, drive, position)"
             " SELECT site, source, 'd' || source, 'f' || fan, 'fan_speed', 'd' || source || '-' || fan / 2,"
             " 'internal-' || 1 + fan %% 2 FROM n;"
             "DROP TABLE n; SET session_replication_role = origin; ANALYZE",
             m->options.tls ? "https" : "http", format, MOCK_ADDRESSES, m->port, MOCK_ADDRESSES,
             format == 'f' ? "feed" : "mtconnect", period_s, m->certificate);
    ground_do(g, sql);
}

void listed_history(struct ground *g, int fans, int days)
{
    char sql[2000];
    ground_do(g, "SET session_replication_role = replica");
    snprintf(sql, sizeof sql,
             "CREATE TEMP TABLE n AS SELECT k / 100 AS source, 'site-' || k / 1000 AS site, k %% 100 AS fan,"
             " k %% 1000 + 1 AS fan_no FROM generate_series(0, %d) k",
             fans - 1);
    ground_do(g, sql);
    ground_do(g, things);
    snprintf(
        sql, sizeof sql,
        "INSERT INTO vaneward.fan_day (site, fan_no, day, known_from, readings, unavailable_readings,"
        " zero_readings, covered_s, rpm_median, rpm_mean, rpm_min, rpm_max, rpm_spread, rpm_last, last_at)"
        " SELECT site, fan_no, date '2026-03-01' - %d + d, timestamptz '2026-03-01 00:00+00' +"
        " make_interval(days => d - %d), 1440, 0, 0, 86400, rpm, rpm + 0.25, rpm - 30, rpm + 30, 9,"
        " rpm + 2, timestamptz '2026-03-01 00:00+00' + make_interval(days => d - %d)"
        " FROM (SELECT n.*, d, 5000 + fan_no %% 997 - d * (fan_no %% 7) / 20.0 + (d * 7919 + fan_no) %% 13"
        " AS rpm FROM n, generate_series(0, %d) d ORDER BY d, site, fan_no) x;"
        "DROP TABLE n; SET session_replication_role = origin",
        days, days, days, days - 1);
    ground_do(g, sql);
    ground_do(g, "VACUUM ANALYZE");
}
