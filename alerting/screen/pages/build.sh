#!/bin/sh
# Bundles the pages into dist, which the Go package above embeds: one script
# with its worker, one stylesheet, each named after a hash of its content, and index.html.
# Makes the API's types of its description too, in made.
# Needs Node with npm, and Go for esbuild.
set -eu
cd "$(dirname "$0")"
# Fetched anew only when what is wanted has changed: npm leaves a copy of the
# lock file it has followed.
if [ ! -e node_modules/.package-lock.json ] || [ package-lock.json -nt node_modules/.package-lock.json ]; then
	npm ci --ignore-scripts
	touch node_modules/.package-lock.json
fi
# The types of the API: tsc reads them, nothing of them gets into the bundle.
mkdir -p made
node types.mjs ../../../testdata/openapi.json made/api.d.ts
new=$(mktemp -d)
trap 'rm -rf "$new"' EXIT
go tool esbuild src/main.ts src/early.ts src/streamworker.ts src/style.css favicon.svg \
	--bundle --minify --target=es2022,chrome109,firefox115,safari16 --format=esm --charset=utf8 \
	--legal-comments=none --log-level=warning --loader:.svg=copy \
	--outdir="$new" --entry-names='[name]-[hash]'
# named NAME EXT: the file that esbuild made of it
named() { (cd "$new" && ls "$1"-????????."$2"); }
sed -e "s|@favicon.svg@|$(named favicon svg)|" -e "s|@main.css@|$(named style css)|" \
	-e "s|@early.js@|$(named early js)|" -e "s|@main.js@|$(named main js)|" \
	-e "s|@streamworker.js@|$(named streamworker js)|" index.html >"$new/index.html"
if grep -n '@[a-z]*\.[a-z]*@' "$new/index.html" >&2; then
	echo "build.sh: index.html asks for a file that was not built" >&2
	exit 1
fi
mkdir -p dist
find dist -mindepth 1 -not -name .keep -delete
cp "$new"/* dist/
