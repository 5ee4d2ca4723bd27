#!/bin/sh
# The share of a do-nothing receiver's rate that the program reaches end to end:
# generator, Mosquitto and receiver on one machine, the program durable and
# synced to disk. Runs both in turn, ROUNDS times (10), SECONDS each (8).
set -eu
cd "$(dirname "$0")/../.."
rounds=${ROUNDS:-10} seconds=${SECONDS_EACH:-8}
dir=$(mktemp -d)
pids=""
trap 'kill $pids 2>/dev/null || true; rm -rf "$dir"' EXIT INT TERM
go build -o "$dir/load" ./deploy/load
go build -o "$dir/throwline" ./daemon/cmd/throwline
port=${PORT:-18830}
mosquitto=$(command -v mosquitto || echo /usr/sbin/mosquitto)

# broker starts a Mosquitto with nothing kept of the round before.
broker() {
	mkdir -p "$dir/$1"
	sed -e "s|^listener .*|listener $port 127.0.0.1|" -e "s|^persistence_location .*|persistence_location $dir/$1/|" deploy/mosquitto.conf >"$dir/$1.conf"
	[ "$(id -u)" != 0 ] || echo "user root" >>"$dir/$1.conf"
	"$mosquitto" -c "$dir/$1.conf" >/dev/null 2>&1 &
	mq=$!
	pids="$pids $mq"
	sleep 1
}

stored() { curl -s "http://127.0.0.1:$((port + 1))/metrics" | sed -n 's/^throwline_throws_total{outcome="stored"} //p'; }

i=0
while [ "$i" -lt "$rounds" ]; do
	i=$((i + 1))
	broker "sink$i"
	"$dir/load" -broker "tcp://127.0.0.1:$port" -sink -plain -for "${seconds}s" >"$dir/sink.json" &
	sink=$!
	sleep 0.5
	"$dir/load" -broker "tcp://127.0.0.1:$port" -for "${seconds}s" >/dev/null 2>&1
	wait "$sink" || true
	kill "$mq"; wait "$mq" 2>/dev/null || true

	broker "serve$i"
	printf 'data_dir: %s\nmqtt:\n  brokers: ["tcp://127.0.0.1:%s"]\nhttp:\n  listen: 127.0.0.1:%s\nlog:\n  level: error\n' "$dir/data$i" "$port" $((port + 1)) >"$dir/c.yaml"
	"$dir/throwline" serve --config "$dir/c.yaml" >/dev/null 2>&1 &
	serve=$!
	pids="$pids $serve"
	sleep 1.5
	"$dir/load" -broker "tcp://127.0.0.1:$port" -for "${seconds}s" >/dev/null 2>&1 &
	load=$!
	sleep 1
	a=$(stored)
	sleep $((seconds - 2))
	b=$(stored)
	wait "$load" || true
	kill "$serve"; wait "$serve" 2>/dev/null || true
	kill "$mq"; wait "$mq" 2>/dev/null || true
	rm -rf "$dir/data$i" "$dir/sink$i" "$dir/serve$i"
	python3 - "$dir/sink.json" "$a" "$b" $((seconds - 2)) <<'P'
import json, sys
sink = json.loads(open(sys.argv[1]).read().strip().splitlines()[-1])
rate = next(v for k, v in sink.items() if "per_s" in k or "rate" in k or k.endswith("_s") and isinstance(v, (int, float)) and v > 100)
mine = (float(sys.argv[3]) - float(sys.argv[2])) / float(sys.argv[4])
print(f"do-nothing receiver {rate:8.0f}/s   throwline {mine:8.0f}/s   share {mine / rate:.2f}")
P
done
