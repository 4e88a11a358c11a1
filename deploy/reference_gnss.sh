#!/usr/bin/env bash
# Run the program beside a real gpsd, and compare the NMEA decoders.
#
# gpsfake plays a receiver on a pseudo-terminal, gpsd reads it: "plumbstar serve"
# must take place and time from there, miss gpsd when it ends, and find it again.
# Then gpsd's reading of recorded sentences is compared with our own.
#
# Debian: gpsd gpsd-clients python3
# usage: deploy/reference_gnss.sh
# Installs nothing. Environment: PLUMBSTAR, a built program, else it is built.
set -euo pipefail
cd "$(dirname "$0")/.."
for c in gpsd gpsfake python3; do
	PATH=$PATH:/usr/sbin command -v "$c" >/dev/null || {
		echo "reference_gnss: no $c: apt-get install gpsd gpsd-clients python3" >&2
		exit 1
	}
done
work=$(mktemp -d)
# Whatever still runs at the end was started here.
# shellcheck disable=SC2154 # j is set inside
trap 'for j in $(jobs -p); do end "$j"; done; rm -rf "$work"' EXIT
plumbstar=${PLUMBSTAR:-$work/plumbstar}
[ -n "${PLUMBSTAR:-}" ] || go build -o "$plumbstar" ./cmd/plumbstar

port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')

# fake FILE: the sentences once, at about real time.
fake() { exec gpsfake -1 -q -n -c 0.2 -P "$port" "$1" >>"$work/gpsfake.log" 2>&1; }

# end PID: gpsfake and the gpsd that it started. By itself it would linger for a
# minute after the last sentence.
end() {
	local children
	children=$(cat "/proc/$1/task/$1/children" 2>/dev/null || true)
	# shellcheck disable=SC2086 # several numbers
	kill "$1" $children 2>/dev/null || true
	wait "$1" 2>/dev/null || true
}

# A receiver at the invented site Dry Lagoon, four sentences of 0.2 s each and so
# one moment in 0.8 s: the sentences say 0.8 s, too.
track() { /usr/bin/python3 - "$1" "$2" <<'PY'
import sys, time
from functools import reduce
def seal(body):
    return "$%s*%02X\r\n" % (body, reduce(lambda a, c: a ^ ord(c), body, 0))
begin = time.time() + 1.0
with open(sys.argv[1], "w", newline="") as f:
    for i in range(int(sys.argv[2])):
        t = begin + 0.8 * i
        hms = time.strftime("%H%M%S", time.gmtime(t)) + ".%02d" % (t % 1 * 100)
        date = time.strftime("%d%m%y", time.gmtime(t))
        f.write(seal("GNRMC,%s,A,3136.0000,S,13918.0000,E,0.03,,%s,,,A" % (hms, date)))
        f.write(seal("GNGGA,%s,3136.0000,S,13918.0000,E,1,10,0.9,51.0,M,-6.0,M,," % hms))
        f.write(seal("GNGSA,A,3,05,07,13,15,18,20,24,27,29,30,,,1.8,0.9,1.5"))
        f.write(seal("GNGST,%s,5,4,3,40,3.5,3.1,6.2" % hms))
PY
}

cat >"$work/plumbstar.toml" <<TOML
[gnss]
source = "gpsd://127.0.0.1:$port"
TOML
"$plumbstar" serve --config "$work/plumbstar.toml" --listen 127.0.0.1:0 --state-dir "$work/state" >"$work/out" 2>"$work/log" &
for _ in $(seq 100); do
	url=$(sed -n 's/^page and API: //p' "$work/out")
	[ -n "$url" ] && break
	sleep 0.1
done
[ -n "$url" ] || { cat "$work/log"; echo "reference_gnss: the program did not start" >&2; exit 1; }

# until SECONDS EXPRESSION: waits until a Python expression of site, clock and
# health holds, or fails and shows them.
until_holds() { /usr/bin/python3 - "$url" "$@" <<'PY'
import json, sys, time, urllib.request
url, seconds, expression = sys.argv[1], float(sys.argv[2]), sys.argv[3]
end = time.time() + seconds
def get(name):
    with urllib.request.urlopen(url + "api/v1/" + name, timeout=5) as r:
        return json.load(r)
while True:
    site, clock, health = get("site"), get("clock"), get("health")
    gnss = next((s for s in health["sensors"] if s["name"] == "gnss"), None)
    codes = [w["code"] for w in health["warnings"]]
    if eval(expression):
        print("reference_gnss: after %4.1f s: %s" % (seconds - (end - time.time()), expression))
        break
    if time.time() > end:
        sys.exit("reference_gnss: never: %s\n%s\n%s\n%s\n%s" % (expression, site, clock, gnss, codes))
    time.sleep(0.2)
PY
}

echo "reference_gnss: $(PATH=$PATH:/usr/sbin gpsd -V)"
until_holds 10 'gnss["state"] == "lost" and "gnss-lost" in codes'
track "$work/track.nmea" 25
fake "$work/track.nmea" &
first=$!
until_holds 30 'site["source"] == "gnss" and abs(site["lat_deg"] + 31.6) < 2e-5 and abs(site["lon_deg"] - 139.3) < 2e-5 and abs(site["height_m"] - 45) < 0.5'
# The track has its time from this machine's clock; gpsfake starts and plays late
# by seconds when the machine is busy.
until_holds 30 'clock["source"] == "gnss" and abs(clock["offset_s"]) < 10 and 0 < clock["sigma_s"] < 15'
until_holds 10 'gnss["state"] == "ok" and "gpsd" in gnss["device"] and gnss["age_s"] < 5'
end "$first"
until_holds 30 'gnss["state"] == "lost" and site["source"] == "gnss" and clock["source"] == "gnss"'
track "$work/track.nmea" 8
fake "$work/track.nmea" &
second=$!
until_holds 30 'gnss["state"] == "ok" and gnss["recoveries"] == 1'
end "$second"

# Both decoders on the same sentences.
PATH=$PATH:/usr/sbin timeout 60 gpsfake -1 -q -p -c 0.1 -P "$port" -r '?WATCH={"enable":true,"json":true};' sensors/gnss/testdata/ship.nmea 2>"$work/gpsfake.log" | grep '^{' >"$work/ship.json" || true
[ -s "$work/ship.json" ] || { cat "$work/gpsfake.log"; echo "reference_gnss: gpsd said nothing about the recorded sentences" >&2; exit 1; }
go test -count=1 -run '^TestAgreesWithGpsd$' ./sensors/gnss -gpsd "$work/ship.json"
echo "reference_gnss: agrees"
