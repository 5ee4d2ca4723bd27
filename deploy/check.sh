#!/bin/sh
# The checks that read the source: form, vet, lint, tidy modules, page types.
set -eu
cd "$(dirname "$0")/.."
unformed=$(gofmt -l $(git ls-files '*.go'))
if [ -n "$unformed" ]; then
	echo "gofmt would change:" >&2
	echo "$unformed" >&2
	exit 1
fi
go vet ./...
go tool staticcheck ./...
go mod tidy -diff
(cd alerting/screen/pages && npx --no-install tsc --noEmit)
sh alerting/screen/pages/test.sh
