#!/bin/sh
# What the export costs the way in: throws a second that are filed with and
# without an export to a VictoriaMetrics on the same machine, and how many a
# second are exported meanwhile. Runs both in turn, ROUNDS times (10), SECONDS_EACH
# each (20). A quiet machine, please: all of it shares the processors.
set -eu
cd "$(dirname "$0")/../.."
rounds=${ROUNDS:-10} seconds=${SECONDS_EACH:-20} rate=${RATE:-}
dir=$(mktemp -d)
pids=""
trap 'kill $pids 2>/dev/null || true; rm -rf "$dir"' EXIT INT TERM
go build -o "$dir/load" ./deploy/load
go build -o "$dir/throwline" ./daemon/cmd/throwline
port=${PORT:-18840}
mosquitto=$(command -v mosquitto || echo /usr/sbin/mosquitto)

counted() { curl -s "http://127.0.0.1:$((port + 1))/metrics" | sed -n "s/^$1 //p"; }

# run NAME URL: serves with an export to URL, prints throws filed and exported a second.
run() {
	mkdir -p "$dir/$1"
	sed -e "s|^listener .*|listener $port 127.0.0.1|" -e "s|^persistence_location .*|persistence_location $dir/$1/|" deploy/mosquitto.conf >"$dir/$1.conf"
	[ "$(id -u)" != 0 ] || echo "user root" >>"$dir/$1.conf"
	"$mosquitto" -c "$dir/$1.conf" >/dev/null 2>&1 &
	mq=$!
	victoria-metrics -httpListenAddr=127.0.0.1:$((port + 2)) -storageDataPath="$dir/$1/vm" -retentionPeriod=100y >/dev/null 2>&1 &
	vm=$!
	pids="$pids $mq $vm"
	sleep 1.5
	printf 'data_dir: %s\nmqtt:\n  brokers: ["tcp://127.0.0.1:%s"]\nhttp:\n  listen: 127.0.0.1:%s\nexport: {influx: {url: "%s", every: 1s}}\nlog:\n  level: error\n' \
		"$dir/$1/data" "$port" $((port + 1)) "$2" >"$dir/c.yaml"
	"$dir/throwline" serve --config "$dir/c.yaml" >/dev/null 2>&1 &
	serve=$!
	pids="$pids $serve"
	sleep 1.5
	# shellcheck disable=SC2086
	"$dir/load" -broker "tcp://127.0.0.1:$port" ${rate:+-rate $rate} -for "${seconds}s" >/dev/null 2>&1 &
	load=$!
	sleep 2
	a=$(counted 'throwline_throws_total{outcome="stored"}') p=$(counted 'throwline_export_points_written_total{exporter="influx"}')
	sleep $((seconds - 3))
	b=$(counted 'throwline_throws_total{outcome="stored"}') q=$(counted 'throwline_export_points_written_total{exporter="influx"}')
	behind=$(counted 'throwline_export_behind_throws{exporter="influx"}')
	wait "$load" || true
	kill "$serve"; wait "$serve" 2>/dev/null || true
	kill "$mq" "$vm"; wait "$mq" "$vm" 2>/dev/null || true
	rm -rf "${dir:?}/$1"
	awk -v name="$1" -v a="$a" -v b="$b" -v p="${p:-0}" -v q="${q:-0}" -v behind="${behind:-0}" -v s=$((seconds - 3)) \
		'BEGIN { printf "%s filed %.0f/s exported %.0f/s behind %d\n", name, (b - a) / s, (q - p) / s, behind }' | tee -a "$dir/result"
}

i=0
while [ "$i" -lt "$rounds" ]; do
	i=$((i + 1))
	run "without$i" ""
	run "with$i" "http://127.0.0.1:$((port + 2))"
done
awk '/^without/ { a += $3 } /^with[0-9]/ { b += $3 } END { printf "with the export %.1f %% of what is filed without it\n", 100 * b / a }' "$dir/result"
