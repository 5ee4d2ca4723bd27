#!/bin/sh
# Installs from Debian what the tests run for real: Mosquitto as the broker,
# Alertmanager to send alerts to, Prometheus and VictoriaMetrics to scrape and
# export to, Chromium for the pages,
# nginx, openssl, curl and iproute2 for the commands of the how-to pages,
# poppler-utils to read what they print, strace to fail the disk under the program, systemd to judge the unit, R and SciPy to work out the charts' figures
# beside ours; and from its Go module InfluxDB 1.8, which Debian no longer has.
# On another system it only says what is missing; the tests that need it then
# skip, or fail where CI is set.
set -eu
need=""
command -v mosquitto >/dev/null 2>&1 || [ -x /usr/sbin/mosquitto ] || need="$need mosquitto"
command -v mosquitto_pub >/dev/null 2>&1 || need="$need mosquitto-clients"
command -v prometheus-alertmanager >/dev/null 2>&1 || need="$need prometheus-alertmanager"
command -v prometheus >/dev/null 2>&1 || need="$need prometheus"
command -v victoria-metrics >/dev/null 2>&1 || need="$need victoria-metrics"
command -v chromium >/dev/null 2>&1 || need="$need chromium"
command -v systemd-analyze >/dev/null 2>&1 || need="$need systemd"
command -v nginx >/dev/null 2>&1 || [ -x /usr/sbin/nginx ] || need="$need nginx-light"
command -v openssl >/dev/null 2>&1 || need="$need openssl"
command -v curl >/dev/null 2>&1 || need="$need curl"
command -v ip >/dev/null 2>&1 || [ -x /usr/sbin/ip ] || need="$need iproute2"
command -v strace >/dev/null 2>&1 || need="$need strace"
command -v pdftotext >/dev/null 2>&1 || need="$need poppler-utils"
Rscript -e 'library(spc)' >/dev/null 2>&1 || need="$need r-base-core r-cran-spc"
python=python3
[ ! -x /usr/bin/python3 ] || python=/usr/bin/python3
"$python" -c 'import scipy, statsmodels' >/dev/null 2>&1 || need="$need python3-scipy python3-statsmodels"
# Where the tests look for it: a version that fits no go.mod of ours.
tests=${XDG_CACHE_HOME:-$HOME/.cache}/throwline-tests
if [ ! -x "$tests/influxd" ] && command -v go >/dev/null 2>&1; then
	(cd / && GOBIN=$tests GOFLAGS=-mod=mod go install github.com/influxdata/influxdb/cmd/influxd@v1.8.10) ||
		echo "missing for the full tests: influxd 1.8.10 in $tests" >&2
fi
[ -n "$need" ] || exit 0
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
	apt-get update -qq
	# shellcheck disable=SC2086
	DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $need >/dev/null
else
	echo "missing for the full tests:$need (on Debian: sudo apt-get install$need)" >&2
fi
