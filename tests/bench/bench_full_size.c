/*
 * A whole fleet for some minutes: the collector with its sealer reads 10,000 sources of 100 fans once a
 * minute (a twentieth of them with --quick). Then the mock fleet falls silent, the rest is read, and every
 * reading that was handed out must be stored exactly once, with its value and time.
 */
#include "base/clock.h"
#include "bench.h"
#include "listed.h"
#include "program.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

enum { PERIOD_S = 60, FANS = 100, SITES = 20 };

/* Of one source: how many sequences are stored, their sum and the sum of their squares. */
struct stored {
    uint64_t count, sum, squares;
};

struct check {
    const struct mock *mock;
    struct arena *mem;
    struct stored *sources;
    uint64_t strange; /* readings that no source said */
};

static void add(struct stored *s, uint64_t sequence)
{
    s->count++;
    s->sum += sequence;
    s->squares += sequence * sequence;
}

static void check_reading(struct check *c, uint32_t site, const struct reading *r)
{
    uint32_t source = (r->fan_no - 1) / FANS * SITES + site, fan = (r->fan_no - 1) % FANS;
    uint64_t sequence = 0;
    if (source < c->mock->options.sources)
        sequence = plant_sequence(&c->mock->plant, source, fan, r->at_us);
    if (sequence && plant_says(&c->mock->plant, source, sequence).rpm * 1000 == r->milli_rpm)
        add(&c->sources[source], sequence);
    else
        c->strange++;
}

static bool on_block(void *context, const struct rows *rows, struct err *err)
{
    struct check *c = context;
    struct reading *readings;
    size_t bytes, count;
    arena_reset(c->mem);
    const uint8_t *block = rows_bytes(rows, 0, 1, c->mem, &bytes);
    if (!block_decode(block, bytes, c->mem, &readings, &count, err))
        return false;
    for (size_t k = 0; k < count; k++)
        check_reading(c, (uint32_t)rows_int(rows, 0, 0), &readings[k]);
    return true;
}

/* Sources whose readings are not stored as they were handed out. */
static double count_wrong(struct ground *g, const struct mock *m, const struct mock_ledger *ledger)
{
    static const struct query all = {"bench_all_blocks",
                                     "SELECT substr(site, 6)::int AS site, data FROM vaneward.journal_waiting"
                                     " UNION ALL SELECT substr(site, 6)::int, data FROM vaneward.reading_hour"
                                     " UNION ALL SELECT substr(site, 6)::int, data FROM vaneward.reading_day",
                                     0};
    struct err err = {0};
    struct check c = {.mock = m, .mem = arena_new((size_t)1 << 30)};
    c.sources = calloc(m->options.sources, sizeof *c.sources);
    if (!c.sources)
        err_no_memory();
    bench_must(db_stream(g->db, &all, NULL, 0, on_block, &c, &err), &err);
    double wrong = (double)c.strange;
    for (uint32_t k = 0; k < m->options.sources; k++) {
        struct stored want = {0};
        for (uint64_t sequence = 1; sequence < ledger->next[k]; sequence++)
            add(&want, sequence);
        wrong += want.count != c.sources[k].count || want.sum != c.sources[k].sum ||
                 want.squares != c.sources[k].squares;
    }
    arena_free(c.mem);
    free(c.sources);
    return wrong;
}

static double stored_until_now(struct ground *g)
{
    return ground_number(g, "SELECT coalesce(sum(next_sequence - 1), 0) FROM vaneward.source_cursor"
                            " WHERE next_sequence > 0");
}

/* Until all that was handed out is stored. */
static struct mock_ledger read_the_rest(struct ground *g, const struct mock *m)
{
    struct mock_ledger ledger = mock_ask_ledger(m, true);
    for (int waited_s = 0; waited_s < 5 * PERIOD_S; waited_s += 5) {
        sleep(5);
        free(ledger.next);
        ledger = mock_ask_ledger(m, false);
        if (waited_s > PERIOD_S && stored_until_now(g) == ledger.observations)
            break;
    }
    return ledger;
}

static void tell(const char *what, double figure, const char *unit, enum bench_aim aim, double target)
{
    const struct bench_figure f = {
        .what = what, .figure = figure, .unit = unit, .aim = aim, .target = target};
    bench_tell(&f);
}

int main(int argc, char **argv)
{
    bench_begin(argc, argv);
    const struct mock_options options = {.sources = (uint32_t)bench_size(500, 10000),
                                         .fans = FANS,
                                         .period_ms = PERIOD_S * 1000,
                                         .history_s = PERIOD_S};
    static struct ground ground;
    struct mock m;
    mock_start(&m, &options);
    ground_open(&ground);
    listed_sources(&ground, &m, 'f', SITES, PERIOD_S);
    double wal = ground_wal(&ground);
    const char *const args[] = {"vaneward-collector", "run", "--in-flight", "256", "--db",
                                ground.conninfo,      NULL};
    int collector = program_start(args, "/dev/null");
    sleep((unsigned)bench_size(2 * PERIOD_S, 3 * PERIOD_S));
    double cpu_s = bench_cpu_of_s(collector), began = bench_now_s(), stored = stored_until_now(&ground);
    sleep((unsigned)bench_size(2 * PERIOD_S, 6 * PERIOD_S));
    cpu_s = bench_cpu_of_s(collector) - cpu_s;
    stored = stored_until_now(&ground) - stored;
    double took_s = bench_now_s() - began, late_s = mock_ask_ledger(&m, false).late_p99_s;
    struct mock_ledger ledger = read_the_rest(&ground, &m);
    struct program_use use = program_end(collector, SIGTERM);

    double all = stored_until_now(&ground);
    tell("full_size.rate", stored / took_s, "readings/s", AIM_NONE, 0);
    tell("full_size.cpu", 100 * cpu_s / took_s, "% of a core", AIM_NONE, 0);
    tell("full_size.memory", use.memory_mb, "MB", AIM_NONE, 0);
    tell("full_size.late_p99", late_s, "s", AIM_AT_MOST, 1);
    tell("full_size.wal", (ground_wal(&ground) - wal) / all, "bytes/reading, journal only", AIM_NONE, 0);
    tell("full_size.handed_out", ledger.observations, "readings", AIM_NONE, 0);
    tell("full_size.not_stored", ledger.observations - all, "readings", AIM_AT_MOST, 0);
    tell("full_size.wrong", count_wrong(&ground, &m, &ledger), "sources", AIM_AT_MOST, 0);
    free(ledger.next);
    mock_stop(&m);
}
