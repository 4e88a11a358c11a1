#!/usr/bin/env bash
# Run the program beside a real MQTT 5 broker, Debian's mosquitto.
#
# The demo tells a broker that lets in only who knows the password. The broker is
# stopped, started, and frozen for a while; each alarm must reach a listener, in
# order; the state and the announcements must be kept there; and the broker must
# say that the board is gone when it is killed.
#
# Debian: mosquitto mosquitto-clients python3
# usage: deploy/reference_mqtt.sh
# Installs nothing. Environment: PLUMBSTAR, a built program, else it is built.
set -euo pipefail
cd "$(dirname "$0")/.."
PATH=$PATH:/usr/sbin
for c in mosquitto mosquitto_sub mosquitto_passwd python3; do
	command -v "$c" >/dev/null || {
		echo "reference_mqtt: no $c: apt-get install mosquitto mosquitto-clients python3" >&2
		exit 1
	}
done
work=$(mktemp -d)
# Whatever still runs at the end was started here; a frozen process must be woken
# to end.
# shellcheck disable=SC2154 # j is set inside
trap 'for j in $(jobs -p); do kill "$j" 2>/dev/null || true; kill -CONT "$j" 2>/dev/null || true; done; wait; rm -rf "$work"' EXIT
plumbstar=${PLUMBSTAR:-$work/plumbstar}
[ -n "${PLUMBSTAR:-}" ] || go build -o "$plumbstar" ./cmd/plumbstar
port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')

echo "larkmoor:owl-77-owl" >"$work/passwords"
mosquitto_passwd -U "$work/passwords"
cat >"$work/mosquitto.conf" <<CONF
listener $port 127.0.0.1
allow_anonymous false
password_file $work/passwords
persistence true
persistence_location $work/
user $(id -un)
CONF
broker() {
	mosquitto -c "$work/mosquitto.conf" >>"$work/mosquitto.log" 2>&1 &
	broker=$!
	until_holds 10 'broker_answers()'
}
# listen: all that is said from now on, kept by the broker while nobody listens.
listen() {
	mosquitto_sub -V mqttv5 -h 127.0.0.1 -p "$port" -u larkmoor -P owl-77-owl -c -i listener -x 3600 -q 1 -t '#' -F '%r %t %p' >>"$work/heard" 2>>"$work/sub.log" &
	listener=$!
}

# until_holds SECONDS EXPRESSION: waits until a Python expression of what was
# heard and of the alarm's state holds, or fails and shows them.
until_holds() { python3 - "${url:-}" "$work/heard" "$port" "$@" <<'PY'
import json, socket, sys, time, urllib.request
url, file, port, seconds, expression = sys.argv[1], sys.argv[2], int(sys.argv[3]), float(sys.argv[4]), sys.argv[5]
def broker_answers():
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
        return True
    except OSError:
        return False
end = time.time() + seconds
while True:
    try:
        heard = [l.split(" ", 2) for l in open(file).read().splitlines()]
    except FileNotFoundError:
        heard = []
    last = {t: p for _, t, p in heard}
    events = [json.loads(p) for _, t, p in heard if t == "field/one/event"]
    trials = [e["id"] for e in events if e["kind"] == "alarm-trial"]
    trials = [t for i, t in enumerate(trials) if i == 0 or trials[i - 1] != t]  # at least once
    state = json.loads(last.get("field/one/state", "{}"))
    alarm = {}
    if url:
        try:
            with urllib.request.urlopen(url + "api/v1/alarms", timeout=5) as r:
                alarm = next(a for a in json.load(r)["alarms"] if a["name"] == "mqtt")
        except OSError:
            pass
    if eval(expression):
        print("reference_mqtt: after %4.1f s: %s" % (seconds - (end - time.time()), expression))
        break
    if time.time() > end:
        sys.exit("reference_mqtt: never: %s\n%s\n%s\n%s" % (expression, alarm, last, trials))
    time.sleep(0.2)
PY
}

# try N: asks for N trials over the interface, as the page does.
try() { python3 - "$url" "$code" "$work/token" "$1" <<'PY'
import json, os, sys, urllib.request
url, code, file, n = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])
def post(path, body, token=None):
    h = {"Content-Type": "application/json"}
    if token:
        h["Authorization"] = "Bearer " + token
    r = urllib.request.Request(url + path, json.dumps(body).encode(), h, method="POST")
    with urllib.request.urlopen(r, timeout=5) as a:
        return json.load(a)
if not os.path.exists(file):
    open(file, "w").write(post("api/v1/pairing", {"code": code, "name": "reference"})["token"])
for _ in range(n):
    post("api/v1/alarms/mqtt/try", {}, open(file).read())
PY
}

echo "reference_mqtt: $(mosquitto -h | head -n 1)"
broker
listen
cat >"$work/plumbstar.toml" <<TOML
[alarms.mqtt]
broker = "mqtt://127.0.0.1:$port"
user = "larkmoor"
password = "owl-77-owl"
topic = "field/one"
TOML
"$plumbstar" demo --hands page --for 1h --listen 127.0.0.1:0 --alarms "$work/plumbstar.toml" --fault magnetometer@2s-6s >"$work/out" 2>"$work/log" &
program=$!
for _ in $(seq 100); do
	page=$(sed -n 's/^page and API: //p' "$work/out")
	[ -n "$page" ] && break
	sleep 0.1
done
[ -n "$page" ] || { cat "$work/log" "$work/out"; echo "reference_mqtt: the program did not start" >&2; exit 1; }
url=${page%%#*} code=${page##*code=}

until_holds 10 'alarm["connected"] and last.get("field/one/status") == "online"'
until_holds 10 'sum(t.startswith("homeassistant/") and json.loads(p)["availability_topic"] == "field/one/status" for t, p in last.items()) == 5'
until_holds 20 '[e["event_type"] for e in events if e["kind"].startswith("sensor-")] == ["sensor-lost", "info"]'
until_holds 40 'state.get("error_deg", 0) > 0 and state["state"] == "steady"'
try 1
until_holds 10 'len(trials) == 1'

# The broker is away, and so is the listener.
kill "$listener"
wait "$listener" 2>/dev/null || true
kill "$broker"
wait "$broker" 2>/dev/null || true
until_holds 10 'not alarm["connected"] and alarm["state"] == "retrying"'
try 20
until_holds 5 'alarm["queued"] == 20'
broker
listen
until_holds 90 'len(trials) == 21 and alarm["queued"] == 0 and alarm["connected"]'

# It hangs: connections stand, nothing is answered.
kill -STOP "$broker"
try 10
until_holds 30 'alarm["state"] == "retrying" and alarm["queued"] == 10'
kill -CONT "$broker"
until_holds 120 'len(trials) == 31 and alarm["queued"] == 0'
until_holds 5 '[t.split("-try-")[1] for t in trials] == [str(n) for n in range(1, 32)]'
until_holds 5 'alarm["dropped"] == 0 and alarm["refused"] == 0'

# The password is wrong: said, not shown.
grep -q owl-77 "$work/log" "$work/out" && { echo "reference_mqtt: the password is in the log" >&2; exit 1; }

# Killed, it cannot say farewell: the broker does it.
kill -9 "$program"
wait "$program" 2>/dev/null || true
until_holds 10 'last["field/one/status"] == "offline"'
# Whoever comes later finds what was kept.
kept=$(mosquitto_sub -V mqttv5 -h 127.0.0.1 -p "$port" -u larkmoor -P owl-77-owl -t 'field/one/#' -W 2 -F '%r %t' | sort | tr '\n' ' ' || true)
[ "$kept" = "1 field/one/state 1 field/one/status " ] || { echo "reference_mqtt: kept: $kept" >&2; exit 1; }

# A wrong password is named, and a second start says farewell by itself.
sed -i 's/owl-77-owl/owl-77-lowl/' "$work/plumbstar.toml"
timeout -s TERM 6 "$plumbstar" demo --hands page --for 1h --listen 127.0.0.1:0 --alarms "$work/plumbstar.toml" >"$work/out" 2>"$work/log" || true
grep -q 'check user and password' "$work/log" || { cat "$work/log"; echo "reference_mqtt: a wrong password is not named" >&2; exit 1; }
sed -i 's/owl-77-lowl/owl-77-owl/' "$work/plumbstar.toml"
timeout -s TERM 6 "$plumbstar" demo --hands page --for 1h --listen 127.0.0.1:0 --alarms "$work/plumbstar.toml" >"$work/out" 2>"$work/log" || true
until_holds 5 '[p for _, t, p in heard if t == "field/one/status"][-2:] == ["online", "offline"]'
echo "reference_mqtt: agrees"
