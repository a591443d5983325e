#!/usr/bin/env bash
# Calls that have a safer sister.
set -u
cd "$(dirname "$0")/../.."
found=$(git ls-files '*.c' '*.h' | xargs grep -nE '\b(strcpy|strcat|sprintf|vsprintf|gets|strtok|atoi|atol|atof|system|popen|alloca|mktemp|tmpnam|rand|srand|localtime|gmtime|asctime|ctime)\(')
[ -z "$found" ] || { echo "banned calls:" && echo "$found"; }
[ -z "$found" ]
