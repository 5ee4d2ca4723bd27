#!/bin/sh
# build.sh VERSION OUT: makes the Debian package of this machine's architecture
# in the folder OUT. Needs Go, and the pages built (make pages).
set -eu
cd "$(dirname "$0")/../.."
VERSION=$1 OUT=$2
ARCH=$(go env GOARCH)
mkdir -p "$OUT/man" "$OUT/completion"
CGO_ENABLED=0 go build -trimpath -ldflags "-s -w -X main.version=$VERSION" -o "$OUT/throwline" ./daemon/cmd/throwline
"$OUT/throwline" man "$OUT/man"
gzip -9nf "$OUT"/man/*.1
for shell in bash zsh fish; do "$OUT/throwline" completion "$shell" >"$OUT/completion/$shell"; done
# So that commands at the shell find the store that the unit keeps.
sed "s|throwline-data|/var/lib/throwline|" deploy/throwline.yaml >"$OUT/throwline.yaml"
sed -e "s|\${OUT}|$OUT|; s|\${ARCH}|$ARCH|; s|\${VERSION}|$VERSION|" deploy/deb/nfpm.yaml >"$OUT/nfpm.yaml"
go run github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.43.4 package --config "$OUT/nfpm.yaml" --packager deb --target "$OUT/"
