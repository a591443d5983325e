#!/usr/bin/env bash
# Calls that have a safer sister. Tests may draw numbers from rand and read trusted text.
set -u
cd "$(dirname "$0")/../.."
calls='strcpy|strcat|sprintf|vsprintf|gets|strtok|system|popen|alloca|mktemp|tmpnam|localtime|gmtime|asctime|ctime'
found=$(
    git ls-files '*.c' '*.h' | xargs grep -nE "\b($calls)\("
    git ls-files 'collector/*.[ch]' 'reporter/*.[ch]' 'sql/*.[ch]' | xargs grep -nE '\b(atoi|atol|atof|rand|srand)\('
)
[ -z "$found" ] || { echo "banned calls:" && echo "$found"; }
[ -z "$found" ]
