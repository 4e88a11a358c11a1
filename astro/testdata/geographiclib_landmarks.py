#!/usr/bin/env python3
"""Writes geographiclib_landmarks.csv: pairs of places, the second one east, north
and up of the first (CartConvert -l) and the geodesic between them (GeodSolve -i),
both of GeographicLib 2.1.2 (Debian package geographiclib-tools). The pairs are
drawn with a fixed seed; some are chosen: both hemispheres, the date line, near a
pole, due north, due east."""
import random
import subprocess


def run(args, text):
    return subprocess.run(args, input=text, capture_output=True, text=True, check=True).stdout.split()


chosen = [
    (51.90, 8.40, 210, 51.95, 8.40, 260),
    (51.90, 8.40, 210, 51.90, 8.60, 0),
    (-31.60, 139.30, 40, -31.95, 139.05, 900),
    (-31.60, 139.30, 40, -31.6004, 139.3003, 41),
    (0, 0, 0, 0.2, -0.2, 0),
    (10, 179.95, 5, 10.1, -179.97, 1200),
    (89.5, 20, 0, 89.6, 150, 0),
    (-89.0, -60, 2800, -88.9, -61, 2900),
]
rng = random.Random(20)
rows = list(chosen)
for _ in range(32):
    lat, lon = rng.uniform(-70, 70), rng.uniform(-180, 180)
    far = 10 ** rng.uniform(-3, 0)  # degrees
    rows.append((round(lat, 5), round(lon, 5), rng.randrange(0, 3000), round(lat + far * rng.uniform(-1, 1), 5), round(lon + far * rng.uniform(-1, 1), 5), rng.randrange(0, 4000)))
with open("geographiclib_landmarks.csv", "w") as out:
    out.write("lat1_deg,lon1_deg,height1_m,lat2_deg,lon2_deg,height2_m,east_m,north_m,up_m,geodesic_azimuth_deg,geodesic_m\n")
    for r in rows:
        lat1, lon1, h1, lat2, lon2, h2 = r
        lon2 = (lon2 + 180) % 360 - 180
        enu = run(["CartConvert", "-p", "6", "-l", str(lat1), str(lon1), str(h1)], f"{lat2} {lon2} {h2}\n")
        geo = run(["GeodSolve", "-i", "-p", "6"], f"{lat1} {lon1} {lat2} {lon2}\n")
        out.write(",".join([str(v) for v in (lat1, lon1, h1, lat2, lon2, h2)] + enu[:3] + [geo[0], geo[2]]) + "\n")
