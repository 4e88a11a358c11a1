#!/usr/bin/env bash
# Compare "polestar --csv" and "tonight --csv" with ERFA on fresh random rows.
#
# Debian: python3-erfa python3-numpy
# usage: deploy/reference_sky.sh [SEED]
# Installs nothing. Environment: PLUMBSTAR, a built program, else it is built; ROWS,
# default 300, of stars (half as many of bodies and of nights).
set -euo pipefail
cd "$(dirname "$0")/.."
seed=${1:-$(date +%s)}
rows=${ROWS:-300}
python=/usr/bin/python3 # where Debian's packages are
"$python" -c 'import erfa, numpy' 2>/dev/null || {
	echo "reference_sky: $python has no erfa: apt-get install python3-erfa python3-numpy" >&2
	exit 1
}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
plumbstar=${PLUMBSTAR:-$work/plumbstar}
[ -n "${PLUMBSTAR:-}" ] || go build -o "$plumbstar" ./cmd/plumbstar

echo "reference_sky: ERFA $("$python" -c 'import erfa; print(erfa.version.erfa_version)'), seed $seed, $rows rows of stars"
"$python" testdata/astro/draw_rows.py --seed "$seed" --rows "$rows" --lists astro/sky/lists --out "$work"
"$python" testdata/astro/gen_reference.py --config "$work/config.json" --stars "$work/stars.csv" --out "$work" --prefix fresh
"$python" testdata/astro/compare_rows.py --program "$plumbstar" --dir "$work" --prefix fresh
# The committed rows too, so that the comparison itself is seen to work.
"$python" testdata/astro/compare_rows.py --program "$plumbstar" --dir testdata/astro --prefix reference
echo "reference_sky: agrees"
