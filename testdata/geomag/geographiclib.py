#!/usr/bin/env python3
"""Field values by GeographicLib's MagneticField, fed with a WMM coefficient file.

Reads CSV with lat_deg,lon_deg,height_km,decimal_year from standard input, or
draws rows itself (--random N --seed S), and writes the same columns plus the
elements and their yearly rates. Needs the program MagneticField (Debian:
geographiclib-tools); knows nothing of this project's own code.
"""
import argparse
import csv
import os
import random
import struct
import subprocess
import sys
import tempfile

COLUMNS = ["lat_deg", "lon_deg", "height_km", "decimal_year"]
# The order in which MagneticField prints a line.
ELEMENTS = ["declination_deg", "inclination_deg", "horizontal_nT", "north_nT", "east_nT", "down_nT", "total_nT"]


def convert(cof_path, folder):
    """Write model.wmm and model.wmm.cof as GeographicLib wants them; returns the name."""
    with open(cof_path, encoding="ascii") as f:
        header = f.readline().split()
        rows = {}
        for line in f:
            words = line.split()
            if len(words) != 6:
                break
            rows[int(words[0]), int(words[1])] = [float(w) for w in words[2:]]
    epoch = float(header[0])
    degree = max(n for n, _ in rows)
    with open(os.path.join(folder, "model.wmm"), "w", encoding="ascii") as f:
        f.write(f"""WMMF-1
Name            model
Description     {header[1]}
ReleaseDate     {header[2]}
ConversionDate  {header[2]}
Radius          6371200
NumModels       1
NumConstants    0
Epoch           {epoch}
DeltaEpoch      5
MinTime         {epoch}
MaxTime         {epoch + 5}
MinHeight       -1000
MaxHeight       850000
Normalization   Schmidt
Type            Linear
ByteOrder       Little
ID              MODEL-01
""")
    with open(os.path.join(folder, "model.wmm.cof"), "wb") as f:
        f.write(b"MODEL-01")
        for g, h in ((0, 1), (2, 3)):  # the field at the epoch, then its change
            f.write(struct.pack("<ii", degree, degree))
            for column, first in ((g, 0), (h, 1)):
                for m in range(first, degree + 1):
                    for n in range(m, degree + 1):
                        f.write(struct.pack("<d", rows.get((n, m), [0] * 4)[column]))
    return "model"


def draw(count, seed):
    rnd = random.Random(seed)
    nasty_lat = [-90, -89.999999, -55, 0, 55, 89.999999, 90]
    nasty_lon = [-180, -90, 0, 90, 180, 270, 360]
    for _ in range(count):
        lat = rnd.choice(nasty_lat) if rnd.random() < 0.15 else rnd.uniform(-90, 90)
        lon = rnd.choice(nasty_lon) if rnd.random() < 0.15 else rnd.uniform(-180, 360)
        km = rnd.choice([-1, 0, 850]) if rnd.random() < 0.15 else rnd.choice([rnd.uniform(-1, 5), rnd.uniform(0, 850)])
        year = rnd.choice([2025, 2030]) if rnd.random() < 0.15 else rnd.uniform(2025, 2030)
        yield [f"{lat:.7f}", f"{lon:.7f}", f"{km:.5f}", f"{year:.6f}"]


def main():
    a = argparse.ArgumentParser(description=__doc__)
    a.add_argument("--cof", required=True, help="coefficient file, format of WMM.COF")
    a.add_argument("--magneticfield", default="MagneticField", help="the program")
    a.add_argument("--random", type=int, help="draw this many rows")
    a.add_argument("--seed", type=int, default=1)
    a = a.parse_args()
    rows = list(draw(a.random, a.seed)) if a.random else [[r[c] for c in COLUMNS] for r in csv.DictReader(sys.stdin)]
    with tempfile.TemporaryDirectory() as folder:
        name = convert(a.cof, folder)
        text = "".join(f"{year} {lat} {lon} {float(km) * 1000:.4f}\n" for lat, lon, km, year in rows)
        out = subprocess.run([a.magneticfield, "-n", name, "-d", folder, "-r", "-p", "6"],
                             input=text, capture_output=True, text=True, check=True).stdout.splitlines()
    if len(out) != 2 * len(rows):
        sys.exit(f"MagneticField answered {len(out)} lines to {len(rows)} rows: {out[:1]}")
    w = csv.writer(sys.stdout, lineterminator="\n")
    w.writerow(COLUMNS + ELEMENTS + [e + "_per_year" for e in ELEMENTS])
    for k, row in enumerate(rows):
        w.writerow(row + out[2 * k].split() + out[2 * k + 1].split())


main()
