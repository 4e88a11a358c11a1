#!/usr/bin/env bash
# Read /metrics with the parser of the Prometheus authors' Python library, and check
# that no command says anything on standard error by itself.
#
# Debian: python3-prometheus-client
# usage: deploy/reference_metrics.sh
# Installs nothing. Environment: PLUMBSTAR, a built program, else it is built.
set -euo pipefail
cd "$(dirname "$0")/.."
/usr/bin/python3 -c 'import prometheus_client' || {
	echo "reference_metrics: no prometheus_client: apt-get install python3-prometheus-client" >&2
	exit 1
}
work=$(mktemp -d)
program=
trap '[ -z "$program" ] || kill "$program" 2>/dev/null || true; wait; rm -rf "$work"' EXIT
plumbstar=${PLUMBSTAR:-$work/plumbstar}
[ -n "${PLUMBSTAR:-}" ] || go build -o "$plumbstar" ./cmd/plumbstar

# A kernel without pressure accounting, as far as a program can see.
if ((EUID == 0)); then
	# shellcheck disable=SC2016 # $0 and $m belong to the inner shell
	unshare --mount sh -c 'for m in $(grep " - cgroup2 " /proc/self/mountinfo | cut -d " " -f 5); do mount -t tmpfs none "$m"; done; exec "$0" version' "$plumbstar" >"$work/version" 2>"$work/said"
	[ ! -s "$work/said" ] || { cat "$work/said"; echo "reference_metrics: a command speaks without being asked" >&2; exit 1; }
fi

"$plumbstar" demo --hands page --for 1h --listen 127.0.0.1:0 >"$work/out" 2>"$work/log" &
program=$!
for _ in $(seq 100); do
	page=$(sed -n 's/^page and API: //p' "$work/out")
	[ -n "$page" ] && break
	sleep 0.1
done
[ -n "$page" ] || { cat "$work/log"; echo "reference_metrics: the program did not start" >&2; exit 1; }
sleep 2
/usr/bin/python3 - "${page%%#*}" "$program" <<'PY'
import os, sys, time, urllib.request
from prometheus_client.parser import text_string_to_metric_families
with urllib.request.urlopen(sys.argv[1] + "metrics", timeout=5) as r:
    assert r.headers["Content-Type"].startswith("text/plain; version=0.0.4"), r.headers
    text = r.read().decode()
families = list(text_string_to_metric_families(text))
names = [f.name for f in families]
assert len(names) == len(set(names)), "a family comes in two pieces"
assert all(f.type in ("gauge", "counter") for f in families), [f.type for f in families]
values = {(s.name, tuple(sorted(s.labels.items()))): s.value for f in families for s in f.samples}
assert values[("plumbstar_sensor_up", (("sensor", "inertial"),))] == 1, values
assert sum(v for (n, _), v in values.items() if n == "plumbstar_state") == 1
# What the kernel tells others of the same process.
pid = sys.argv[2]
stat = open("/proc/%s/stat" % pid).read().rsplit(")", 1)[1].split()
rss = int(stat[21]) * os.sysconf("SC_PAGE_SIZE")
assert 0.7 < values[("process_resident_memory_bytes", ())] / rss < 1.3, (values, rss)
cpu = (int(stat[11]) + int(stat[12])) / os.sysconf("SC_CLK_TCK")
assert 0 < values[("process_cpu_seconds_total", ())] <= cpu
assert abs(values[("process_start_time_seconds", ())] - time.time()) < 60
print("reference_metrics: %d families, %d samples" % (len(families), len(values)))
PY
echo "reference_metrics: agrees"
