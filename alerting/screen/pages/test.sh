#!/bin/sh
# Runs the tests of what needs no browser, with Node's own runner.
set -eu
cd "$(dirname "$0")"
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
go tool esbuild test/*.test.ts --bundle --platform=node --format=esm --external:node:* --log-level=warning --outdir="$out" --out-extension:.js=.mjs
TZ=Europe/Berlin node --test "$out"/*.mjs
