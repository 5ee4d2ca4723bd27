#!/bin/sh
# sbom.sh OUT: writes what the program is made of as CycloneDX JSON, for the
# platform of GOOS and GOARCH. Needs Go and git; the tool comes as a Go module.
set -eu
case $1 in
/*) out=$1 ;;
*) out=$PWD/$1 ;;
esac
cd "$(dirname "$0")/.."
tools=$(mktemp -d)
trap 'rm -rf "$tools"' EXIT
# The tool is for this machine, whatever the program is for.
GOOS='' GOARCH='' GOBIN=$tools go install github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0
CGO_ENABLED=0 "$tools/cyclonedx-gomod" app -json -packages=false -main daemon/cmd/throwline -output "$out" .
