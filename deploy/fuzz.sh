#!/bin/sh
# Runs every fuzz target of the module for FUZZTIME (4 s unless told) each.
# What is found is hardly made smaller: that would take all of the time.
set -eu
cd "$(dirname "$0")/.."
grep -rlE --include='*_test.go' '^func Fuzz' . | sort | while read -r file; do
	dir=$(dirname "$file")
	grep -hoE '^func Fuzz[A-Za-z0-9_]*' "$file" | sed 's/^func //' | while read -r target; do
		go test "$dir" -run '^$' -fuzz "^$target\$" -fuzztime "${FUZZTIME:-4s}" -fuzzminimizetime 10x
	done
done
