#!/usr/bin/env bash
# Who may include whom: each outside library has one owner, the two programs never meet, pure files see no world.
set -u
cd "$(dirname "$0")/../.."
bad=0
complain() { echo "$1" && bad=1; }

# owner LIBRARY-PATTERN FILES-PATTERN: only files that match may include headers that match
owner() {
    local found
    found=$(git ls-files 'collector/*.[ch]' 'reporter/*.[ch]' 'sql/*.[ch]' | xargs grep -lE "^#include <($1)" | grep -vE "^($2)$")
    [ -z "$found" ] || complain "only $2 may include <$1>: $found"
}
owner 'libpq-fe' 'sql/db(_[a-z]+)?\.[ch]'
owner 'curl/' 'collector/fetch[a-z_]*\.[ch]'
owner 'libxml/' 'collector/mtconnect[a-z_]*\.[ch]'
owner 'jansson' 'collector/(feed|health[a-z_]*|run[a-z_]*|register_report|state_file)\.[ch]|reporter/(export|commands)[a-z_]*\.[ch]|collector/json[a-z_]*\.[ch]'
owner 'hpdf' 'reporter/pdf[a-z_]*\.[ch]'
owner 'qrencode' 'reporter/pdf[a-z_]*\.[ch]'
owner 'csv\.h' 'sql/base/csv\.c'
owner 'ini\.h' 'sql/base/opt_file\.c'
owner 'openssl/' 'collector/digest\.c'
owner 'z(lib|std)\.h' 'collector/segment\.c'
owner 'argp' 'sql/base/opts\.c'
owner 'utf8proc' 'sql/base/text\.c|reporter/(pdf|export|glyphs)[a-z_]*\.c'
owner 'gsl/' 'reporter/numeric\.c'

# The programs never include each other; base knows no SQL.
cross=$(grep -lE '#include "(collector|reporter|\.\.)/' $(git ls-files 'collector/*.[ch]' 'reporter/*.[ch]' 'sql/*.[ch]'))
[ -z "$cross" ] || complain "a path into another part: $cross"
for header in $(git ls-files 'collector/*.h' 'reporter/*.h' | xargs -n1 basename | sort | uniq -d); do
    complain "header name '$header' stands in both programs"
done
sql=$(grep -lE '#include "(db|queries|migrate|block)\.h"' $(git ls-files 'sql/base/*.[ch]'))
[ -z "$sql" ] || complain "base must not know the database: $sql"

# Pure files: no clock, no log, no database, no files.
pure="collector/mtconnect collector/feed collector/intake collector/schedule collector/poll collector/chain collector/batch_bytes collector/summary collector/pile collector/parcel
    collector/register collector/register_read collector/register_check collector/register_value collector/import_rows
    reporter/life reporter/trend reporter/trend_change reporter/trend_passage reporter/drift reporter/drift_pool reporter/demand reporter/stock reporter/risk reporter/score reporter/replay reporter/forecast reporter/track sql/base/episode sql/block"
for name in $pure; do
    found=$(grep -nE '#include "(queries|base/log)\.h"|clock_now_us|clock_mono_ms|\bfopen\(|\btime\(NULL' "$name".c 2>/dev/null)
    [ -z "$found" ] || complain "$name.c is to be pure: $found"
done
exit $bad
