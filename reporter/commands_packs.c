#include "commands_packs.h"

#include <string.h>

/* One a site. */
static size_t write_sites(const struct packs_wanted *w, const struct pack_input *in, struct arena *mem,
                          const char **paths, size_t *failed, struct err *err)
{
    const struct fleet *fleet = w->assessment->fleet;
    size_t written = 0;

    for (size_t i = 0; i < fleet->site_count; i++) {
        struct err why = {0};
        if (w->site && strcmp(fleet->sites[i].site, w->site) != 0)
            continue;
        if (pack_site(in, &fleet->sites[i], w->dir, mem, &paths[written], &why)) {
            written++;
            continue;
        }
        err_in(&why, "pack of site '%s'", fleet->sites[i].site);
        err_print("vaneward-reporter", &why);
        ++*failed;
        *err = why;
    }
    return written;
}

size_t packs_write(const struct packs_wanted *w, struct arena *mem, const char **paths, size_t *failed,
                   struct err *err)
{
    const struct assessment *a = w->assessment;
    struct demand *demand;
    struct order_line *orders;
    struct pack_input in = {.assessment = a, .service = w->service, .issued = w->issued};

    in.demand_count = demand_of(a, a->horizon_days, mem, &demand);
    in.order_count = stock_plan(a, w->service, mem, &orders);
    in.demand = demand;
    in.orders = orders;
    *failed = 0;
    if (strcmp(w->kind, "site") == 0)
        return write_sites(w, &in, mem, paths, failed, err);
    bool procurement = strcmp(w->kind, "procurement") == 0;
    bool ok = (procurement ? pack_procurement : pack_fleet)(&in, w->dir, mem, &paths[0], err);
    *failed = !ok;
    return ok;
}

bool packs_issued(struct db *db, const struct fleet *fleet, struct arena *mem, struct issued_record *out,
                  struct err *err)
{
    struct issued *issued;
    size_t count;

    if (!fleet_read_issued(db, fleet, mem, &issued, &count, err))
        return false;
    track_issued(fleet, issued, count, mem, out);
    return true;
}

bool packs_keep_forecasts(const char *conninfo, const struct assessment *a, struct err *err)
{
    struct db *db;

    if (a->fleet->as_of_us < clock_now_us() - US_PER_DAY)
        return true;
    if (!db_open(&db, conninfo, "vaneward-reporter", err))
        return false;
    bool ok = fleet_store_forecasts(db, a, err);
    db_close(db);
    return ok;
}
