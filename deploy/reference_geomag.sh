#!/usr/bin/env bash
# Compare "declination --csv" with GeographicLib on fresh random rows.
#
# usage: deploy/reference_geomag.sh [SEED]
# Needs MagneticField (Debian: apt-get install geographiclib-tools) and python3;
# installs nothing. Environment: MAGNETICFIELD, the program, if it is not on the
# path; PLUMBSTAR, a built program, else "go run" is used; ROWS, default 5000.
set -euo pipefail
cd "$(dirname "$0")/.."
seed=${1:-$(date +%s)}
rows=${ROWS:-5000}
tool=${MAGNETICFIELD:-MagneticField}
command -v "$tool" >/dev/null || { echo "reference_geomag: $tool is missing: apt-get install geographiclib-tools" >&2; exit 1; }
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
plumbstar=${PLUMBSTAR:-$work/plumbstar}
[ -n "${PLUMBSTAR:-}" ] || go build -o "$plumbstar" ./cmd/plumbstar

echo "reference_geomag: $("$tool" --version), seed $seed"
for cof in astro/geomag/WMM.COF testdata/geomag/WMMHR2025.COF; do
    python3 testdata/geomag/geographiclib.py --cof "$cof" --magneticfield "$tool" --random "$rows" --seed "$seed" >"$work/theirs.csv"
    cut -d, -f1-4 "$work/theirs.csv" | "$plumbstar" declination --csv - --model "$cof" >"$work/ours.csv"
    python3 - "$cof" "$work/ours.csv" "$work/theirs.csv" "$rows" <<'PY'
import csv, math, sys

cof, ours, theirs, rows = sys.argv[1:]
names = ["declination_deg", "inclination_deg", "horizontal_nT", "north_nT", "east_nT", "down_nT", "total_nT"]
worst = dict.fromkeys(names, 0.0)
count = bad = 0
with open(ours) as a, open(theirs) as b:
    for mine, other in zip(csv.DictReader(a), csv.DictReader(b), strict=True):
        count += 1
        for name in names:
            x = float(mine[name] or "nan")
            off = abs(x - float(other[name]))
            if name == "declination_deg":
                off = min(off, abs(off - 360))
            # Both print six decimals in nT, GeographicLib seven in degrees.
            allowed = 2e-6 if name.endswith("_nT") else 1e-6
            if not off <= allowed:
                bad += 1
                if bad <= 5:
                    print(f"  row {count} {[mine[k] for k in list(mine)[:4]]}: {name} {mine[name]}, GeographicLib {other[name]}")
            worst[name] = max(worst[name], off) if off == off else math.inf
print(f"  {cof}: {count} rows, {bad} values off; largest difference " + ", ".join(f"{n} {w:.1e}" for n, w in worst.items()))
sys.exit(1 if bad or count != int(rows) else 0)
PY
done
echo "reference_geomag: agrees"
