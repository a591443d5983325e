#!/usr/bin/env bash
# Every header compiles alone: it includes what it uses.
set -u
cd "$(dirname "$0")/../.."
bad=0
for header in $(git ls-files 'sql/*.h' 'collector/*.h' 'reporter/*.h'); do
    echo "#include \"$header\"" | gcc -std=c11 -D_GNU_SOURCE -Wall -Wextra -Werror -I. -Isql -Icollector -Ireporter \
        -I/usr/include/libxml2 -I/usr/include/postgresql -Ibuild/sql/made -fsyntax-only -x c - || bad=1
done
exit $bad
