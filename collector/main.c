#include "discover.h"
#include "health.h"
#include "import.h"
#include "prepare.h"
#include "register_command.h"
#include "run.h"
#include "settings.h"
#include "work.h"

static const char REGISTER_DETAILS[] = "The files are sites, machines, drive_models, drives, axes, parts, "
                                       "fan_models, fitments, fans, stock, sources, "
                                       "bindings, code_map and work, each .csv with a header row, in any "
                                       "order of columns; a folder stands for all "
                                       "of them that it holds. Rows are added or updated by their key; an "
                                       "empty field is 'unknown', a column that a "
                                       "file lacks keeps its values. All errors of all files are listed as "
                                       "file:line:column, and then nothing is "
                                       "stored.";

static const char IMPORT_DETAILS[] = "A file of readings has the columns drive, position, read_at and rpm "
                                     "(empty: no value from here on); a file of "
                                     "conditions has drive, or machine and axis, and at, state (normal, "
                                     "warning, alarm or unavailable), native_code "
                                     "and text. A file that was imported before is left alone.";

static const char WORK_DETAILS[] =
    "Either files as work.csv of the register, or one piece of work from the options.";

static const char HEALTH_DETAILS[] =
    "What is wrong is listed with the command that helps, the worst first: losing (something is lost, or "
    "soon "
    "will be), wrong, notice. While the database is away, what a collector on this machine knows is told "
    "instead. The exit status is 0 when all is well, 3 when something is listed, 69 when the database cannot "
    "be reached, 78 when its schema is not ours.";

static const char RUN_DETAILS[] =
    "Each new or changed episode (opened, alarm, ended, withdrawn) goes to "
    "--on-episode and --webhook, once each and at most a day late; changes "
    "that lie more than an hour back when they are read are not handed on. "
    "SIGHUP reads the settings file and the register again; SIGTERM stores what "
    "was read and ends within 5 s.";

static const struct command commands[] = {
    {"prepare", "", "Create or upgrade the schema and today's partitions", NULL, NULL, 0, 0, prepare_command},
    {"register", "FILE.csv|DIR ...", "Load the register, all or nothing", REGISTER_DETAILS, NULL, 1, -1,
     register_command},
    {"discover", "URL", "Read what a source offers, print draft bindings as CSV", NULL, discover_options, 1,
     1, discover_command},
    {"run", "", "Read the sources", RUN_DETAILS, run_options, 0, 0, run_command},
    {"import", "FILE.csv ...", "Load readings and conditions from files", IMPORT_DETAILS, NULL, 1, -1,
     import_command},
    {"work", "[FILE.csv ...]", "Record finished work", WORK_DETAILS, work_options, 0, -1, work_command},
    {"health", "", "Tell the freshness, gaps and faults of every source", HEALTH_DETAILS, health_options, 0,
     0, health_command},
    {0},
};

static const struct program program = {
    "vaneward-collector", VANEWARD_VERSION,
    "Gathers fan speeds and drive states from many machines into PostgreSQL.", settings_options, commands};

int main(int argc, char **argv)
{
    return opts_main(&program, argc, argv);
}
