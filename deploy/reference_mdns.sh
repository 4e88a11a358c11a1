#!/usr/bin/env bash
# Let programs of others find the board by its name: Debian's Avahi, python3-zeroconf
# and dig, in networks of their own that the kernel makes for the time of the test.
#
# Board and phone are two network namespaces at the ends of one cable. The name must
# be found by IPv4 and IPv6, follow the board's addresses, give way where the phone
# has it already, be left to an Avahi on the board, and be taken back at the end.
#
# Debian: avahi-daemon avahi-utils bind9-dnsutils dbus iproute2 python3-zeroconf
# usage: deploy/reference_mdns.sh
# Installs nothing. Environment: PLUMBSTAR, a built program, else it is built.
set -euo pipefail
cd "$(dirname "$0")/.."
PATH=$PATH:/usr/sbin:/sbin
if [ -z "${REFERENCE_MDNS:-}" ]; then
	for c in avahi-daemon avahi-resolve dig dbus-daemon ip unshare; do
		command -v "$c" >/dev/null || {
			echo "reference_mdns: no $c: apt-get install avahi-daemon avahi-utils bind9-dnsutils dbus iproute2 python3-zeroconf" >&2
			exit 1
		}
	done
	work=$(mktemp -d)
	trap 'rm -rf "$work"' EXIT
	[ -n "${PLUMBSTAR:-}" ] || go build -o "$work/plumbstar" ./cmd/plumbstar
	own=--map-root-user
	((EUID)) || own=--mount
	# Whatever still runs at the end ends with its process numbers' namespace.
	PLUMBSTAR=${PLUMBSTAR:-$work/plumbstar} REFERENCE_MDNS=$work unshare "$own" --net --mount --pid --fork --kill-child --mount-proc bash "$0"
	exit
fi
work=$REFERENCE_MDNS
die() {
	echo "reference_mdns: $*" >&2
	tail -n 20 "$work"/*.log >&2
	exit 1
}

# The board is here, the phone there, each with a /run of its own.
mount -t tmpfs none /run
ip link set lo up
unshare --net --mount sleep 3600 &
phone=$!
on_phone() { nsenter -t "$phone" --net --mount "$@"; }
until [ "$(readlink "/proc/$phone/ns/net")" != "$(readlink /proc/$$/ns/net)" ] && [ "$(readlink "/proc/$phone/exe")" = "$(command -v sleep | xargs readlink -f)" ]; do sleep 0.1; done
on_phone mount -t tmpfs none /run
ip link add cable type veth peer name cable netns "$phone"
ip addr add 192.168.7.2/24 dev cable
ip addr add fd00:7::2/64 dev cable nodad
ip link set cable up
on_phone sh -c 'ip link set lo up && ip addr add 192.168.7.50/24 dev cable && ip addr add fd00:7::50/64 dev cable nodad &&
	ip link set cable up && ip route add 224.0.0.0/4 dev cable && ip -6 route add ff02::/16 dev cable table local metric 1'

# until_holds SECONDS COMMAND…: repeats a command until it succeeds.
until_holds() {
	local seconds=$1 began=$SECONDS
	shift
	until "$@" >"$work/last.log" 2>&1; do
		((SECONDS - began < seconds)) || die "never in $seconds s: $*"
		sleep 0.2
	done
	echo "reference_mdns: after $((SECONDS - began)) s: $*"
}

# avahi WHERE NAME: starts Avahi there, with a message bus of its own.
cat >"$work/bus.conf" <<'CONF'
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN" "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <listen>unix:path=/run/bus</listen><auth>EXTERNAL</auth>
  <policy context="default"><allow send_destination="*" eavesdrop="true"/><allow receive_sender="*"/><allow own="*"/><allow user="*"/></policy>
</busconfig>
CONF
export DBUS_SYSTEM_BUS_ADDRESS=unix:path=/run/bus
on_board() { "$@"; }
avahi() {
	printf '[server]\nhost-name=%s\n[publish]\npublish-workstation=no\npublish-hinfo=no\n' "$2" >"$work/avahi-$1.conf"
	"on_$1" dbus-daemon --config-file="$work/bus.conf" --nofork --nopidfile >"$work/bus-$1.log" 2>&1 &
	until_holds 5 "on_$1" test -S /run/bus
	"on_$1" mkdir -p /run/avahi-daemon
	"on_$1" avahi-daemon --no-drop-root --no-chroot --no-rlimits -f "$work/avahi-$1.conf" >"$work/avahi-$1.log" 2>&1 &
	until_holds 10 "on_$1" avahi-daemon --check
	until_holds 10 grep -q 'Server startup complete' "$work/avahi-$1.log"
}

# serve ADDRESS [SETTING]: starts the program.
serve() {
	printf '[server]\n%s\n' "${2:-}" >"$work/plumbstar.toml"
	rm -f "$work/out.log"
	"$PLUMBSTAR" serve --config "$work/plumbstar.toml" --listen "$1" --state-dir "$work/state" >"$work/out.log" 2>"$work/plumbstar.log" &
	program=$!
	until_holds 10 grep -q '^page and API: ' "$work/out.log"
	url=$(sed -n 's/^page and API: //p' "$work/out.log")
}
# name_is EXPRESSION: what health says of the name.
name_is() {
	/usr/bin/python3 - "$url" "$1" <<'PY'
import json, sys, urllib.request
n = json.load(urllib.request.urlopen(sys.argv[1] + "api/v1/health", timeout=5))["local_name"]
print(n)
sys.exit(not eval(sys.argv[2]))
PY
}
resolves() { [ "$(on_phone timeout 8 avahi-resolve "$1" -n "$2" | cut -f 2)" = "$3" ]; }
digs() { [ "$(on_phone dig +short +time=1 +tries=1 -p 5353 "@$1" plumbstar.local "$2")" = "$3" ]; }
gone() { ! on_phone timeout 8 avahi-browse -pt _http._tcp | grep -q ';plumbstar;'; }
found() { on_phone timeout 8 avahi-browse -rptk _http._tcp | grep -qxF "=;cable;$1;$2;_http._tcp;local;$2.local;$3;8484;\"path=/\""; }
zeroconf() {
	on_phone /usr/bin/python3 - <<'PY'
from zeroconf import IPVersion, Zeroconf
z = Zeroconf(ip_version=IPVersion.All)
i = z.get_service_info("_http._tcp.local.", "plumbstar._http._tcp.local.", 3000)
print(i)
assert sorted(i.parsed_addresses()) == ["192.168.7.2", "fd00:7::2"], i.parsed_addresses()
assert (i.port, i.server, i.properties) == (8484, "plumbstar.local.", {b"path": b"/"})
z.close()
PY
}

echo "reference_mdns: $(avahi-daemon --version), $(dig -v 2>&1), zeroconf $(/usr/bin/python3 -c 'import zeroconf; print(zeroconf.__version__)')"
serve 0.0.0.0:8484
until_holds 10 name_is 'n == {"name": "plumbstar.local", "state": "answering", "why": None}'
# dig asks in plain DNS, and hears only whom it asked: not the group.
until_holds 5 digs 192.168.7.2 A 192.168.7.2
until_holds 5 digs 192.168.7.2 AAAA fd00:7::2
until_holds 5 digs fd00:7::2 A 192.168.7.2
until_holds 10 zeroconf
avahi phone phone
until_holds 10 resolves -4 plumbstar.local 192.168.7.2
until_holds 10 resolves -6 plumbstar.local fd00:7::2
until_holds 10 found IPv4 plumbstar 192.168.7.2
until_holds 10 found IPv6 plumbstar 192.168.7.2 # Avahi shows one address

# The board gets another address.
ip addr del 192.168.7.2/24 dev cable
ip addr add 192.168.7.3/24 dev cable
until_holds 20 resolves -4 plumbstar.local 192.168.7.3
url=${url/7.2/7.3}

# It ends in order: nobody finds it any more.
kill "$program"
wait "$program"
until_holds 5 gone

# The phone has the name: the board takes the next one.
kill "$(on_phone cat /run/avahi-daemon/pid)"
until_holds 5 on_phone test ! -e /run/avahi-daemon/pid
sed -i 's/host-name=phone/host-name=plumbstar/' "$work/avahi-phone.conf"
on_phone avahi-daemon --no-drop-root --no-chroot --no-rlimits -f "$work/avahi-phone.conf" >"$work/avahi-phone.log" 2>&1 &
until_holds 10 grep -q 'Server startup complete' "$work/avahi-phone.log"
serve 0.0.0.0:8484
until_holds 20 name_is 'n["name"] == "plumbstar-2.local" and n["state"] == "answering" and "another board" in n["why"]'
until_holds 10 resolves -4 plumbstar-2.local 192.168.7.3
until_holds 10 resolves -4 plumbstar.local 192.168.7.50
grep -q 'Host name conflict' "$work/avahi-phone.log" && die "Avahi had to give the name up"

# Avahi comes and goes on the board itself.
avahi board larkmoor
until_holds 20 name_is 'n["state"] == "elsewhere"'
until_holds 10 resolves -4 larkmoor.local 192.168.7.3
kill "$(cat /run/avahi-daemon/pid)"
until_holds 20 name_is 'n["name"] == "plumbstar-2.local" and n["state"] == "answering"'
kill "$program"
wait "$program"

# Another program has the port for itself, for a while: no reason to fail.
/usr/bin/python3 -c 'import socket, time; s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.bind(("", 5353))
t = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM); t.setsockopt(41, 26, 1); t.bind(("", 5353)); time.sleep(3600)' &
blocker=$!
until_holds 5 grep -q '^ *[0-9]*: 00000000:14E9' /proc/net/udp
serve 0.0.0.0:8484
until_holds 5 name_is 'n["state"] == "failing" and "address already in use" in n["why"]'
kill "$blocker"
until_holds 20 name_is 'n["state"] == "answering"'
kill "$program"
wait "$program"

# No name is wanted, or nobody else could come.
serve 0.0.0.0:8484 'local_name = ""'
until_holds 5 name_is 'n is None'
kill "$program"
wait "$program"
serve 127.0.0.1:0
until_holds 5 name_is 'n is None'
echo "reference_mdns: agrees"
