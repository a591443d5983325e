#include "files.h"
#include "serve.h"
#include "trouble.h"

#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static const char usage[] =
    "usage: fleet-simulator write|serve --out DIR [options]\n"
    "An invented company's fleet: register, ledger and truth as CSV files; serve also answers as its "
    "sources.\n"
    "  --seed N             another fleet (default 1)\n"
    "  --end MOMENT         end of the history (default: now, rounded down to the hour)\n"
    "  --days N             length of the history (default 400; with --small 20)\n"
    "  --small              a few machines\n"
    "  --first-read MOMENT  when the client of the ledger reads for the first time (default: 30 days, but at "
    "most a\n"
    "                       quarter of the history, before the end)\n"
    "  --base-url URL       for sources.csv of 'write'\n"
    "  --port N             of 'serve' on the loopback interface (default: a free one)\n"
    "  --until MOMENT       the servers show no later observation until told so (default: the end)\n"
    "  --live               go on in real time after the end\n"
    "  --oracle MOMENT      truth/oracle.csv as well, for dates a week apart before that moment\n"
    "  --trouble WORDS      what goes wrong on the way, of repeats,order,late,stamps\n"
    "While serving: POST /control/advance?to=MOMENT|end, /control/fault?drive=D, /control/clear?drive=D,\n"
    "GET /control/state\n";

struct command {
    struct options options;
    struct serving serving;
    const char *dir, *base_url;
    int64_t oracle_ms;
    bool serves;
};

static void wrong(const char *why, const char *what)
{
    fprintf(stderr, "fleet-simulator: %s '%s'\n%s", why, what, usage);
    exit(64);
}

static int64_t moment(const char *text)
{
    int64_t ms = 0;

    if (!moment_parse(text, &ms))
        wrong("not a moment like 2026-01-31T12:00:00Z:", text);
    return ms;
}

static long whole(const char *text, long low, long high)
{
    char *end;
    long value = strtol(text, &end, 10);

    if (!*text || *end || value < low || value > high)
        wrong("not a number in range:", text);
    return value;
}

static const struct option known_options[] = {
    {"out", required_argument, NULL, 'o'},      {"seed", required_argument, NULL, 's'},
    {"end", required_argument, NULL, 'e'},      {"days", required_argument, NULL, 'd'},
    {"small", no_argument, NULL, 'm'},          {"first-read", required_argument, NULL, 'f'},
    {"base-url", required_argument, NULL, 'b'}, {"port", required_argument, NULL, 'p'},
    {"until", required_argument, NULL, 'u'},    {"live", no_argument, NULL, 'l'},
    {"oracle", required_argument, NULL, 'k'},   {"trouble", required_argument, NULL, 't'},
    {"help", no_argument, NULL, 'h'},           {NULL, 0, NULL, 0}};

static void read_options(int argc, char **argv, struct command *c)
{
    int option;

    while ((option = getopt_long(argc, argv, "", known_options, NULL)) != -1) {
        switch (option) {
        case 'o':
            c->dir = optarg;
            break;
        case 's':
            c->options.seed = (uint64_t)whole(optarg, 0, INT32_MAX);
            break;
        case 'e':
            c->options.end_ms = moment(optarg);
            break;
        case 'd':
            c->options.days = (int)whole(optarg, 8, 2000);
            break;
        case 'm':
            c->options.small = true;
            break;
        case 'f':
            c->options.first_read_ms = moment(optarg);
            break;
        case 'b':
            c->base_url = optarg;
            break;
        case 'p':
            c->serving.port = (uint16_t)whole(optarg, 0, 65535);
            break;
        case 'u':
            c->serving.until_ms = moment(optarg);
            break;
        case 'l':
            c->serving.live = true;
            break;
        case 'k':
            c->oracle_ms = moment(optarg);
            break;
        case 't':
            if (!trouble_parse(optarg, &c->options.troubles))
                wrong("not a list of troubles:", optarg);
            break;
        case 'h':
            fputs(usage, stdout);
            exit(0);
        default:
            fputs(usage, stderr);
            exit(64);
        }
    }
}

static void fill_defaults(struct command *c)
{
    int64_t now_ms = moment_now_ms();
    int away_days;

    c->serving.wall_clock = c->options.end_ms == NEVER;
    if (c->options.end_ms == NEVER)
        c->options.end_ms = now_ms - now_ms % MS_PER_HOUR;
    if (!c->options.days)
        c->options.days = c->options.small ? 20 : 400;
    away_days = c->options.days / 4 < 30 ? c->options.days / 4 : 30;
    if (c->options.first_read_ms == NEVER)
        c->options.first_read_ms = c->options.end_ms - away_days * MS_PER_DAY;
    if (c->options.first_read_ms >= c->options.end_ms)
        wrong("the first reading must come before the end", "--first-read");
    if (c->serving.until_ms > c->options.end_ms)
        c->serving.until_ms = c->options.end_ms;
}

int main(int argc, char **argv)
{
    struct command c = {.options = {.seed = 1, .end_ms = NEVER, .first_read_ms = NEVER},
                        .serving = {.until_ms = NEVER},
                        .base_url = "http://127.0.0.1:8080",
                        .oracle_ms = NEVER};
    struct world *w;

    read_options(argc, argv, &c);
    if (argc - optind != 1 || !c.dir)
        wrong("one of 'write' and 'serve', and --out, must be given", argc > optind ? argv[optind] : "");
    c.serves = strcmp(argv[optind], "serve") == 0;
    if (!c.serves && strcmp(argv[optind], "write") != 0)
        wrong("no such command", argv[optind]);
    fill_defaults(&c);
    w = world_new(&c.options);
    if (c.oracle_ms != NEVER)
        oracle_write(w, c.dir, c.oracle_ms);
    if (c.serves) {
        serve(w, &c.serving, c.dir);
    } else {
        register_write(w->fleet, c.dir, c.base_url);
        ledger_write(w, c.dir);
        truth_write(w, c.dir);
    }
    world_free(w);
    return 0;
}
