#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Runs "polestar --csv" and "tonight --csv" over rows of gen_reference.py and holds every value to
its limit. Fails on any excess, on missing rows and when hardly anything was compared."""
import argparse, csv, io, math, os, subprocess, sys
from datetime import datetime

p = argparse.ArgumentParser()
p.add_argument('--program', required=True)
p.add_argument('--dir', required=True)
p.add_argument('--prefix', required=True)
o = p.parse_args()

# arcsec unless named; star places are promised to 0.3, refraction to 1.5 above 15 degrees and 4 above 8.
LIMITS = {'star airless': 0.3, 'star refraction above 15': 1.5, 'star refraction 8 to 15': 4, 'offset': 0.4, 'position angle (deg)': 0.02,
          'apparent right ascension': 0.3, 'apparent declination': 0.3, 'hour angle': 0.3,
          'sun airless': 40, 'moon airless': 20, 'body refraction above 15': 1.5, 'body refraction 8 to 15': 4, 'twilight (s)': 15}
worst, count, failures = {}, {}, []

def note(name, value, where, scale=1):
    count[name] = count.get(name, 0) + 1
    if value > worst.get(name, (-1,))[0]:
        worst[name] = (value, where)
    if not value <= LIMITS[name] * scale:
        failures.append(f'{name} {value:.3f}: {where}')

def run(command, columns, rows):
    text = io.StringIO()
    w = csv.writer(text)
    w.writerow(columns)
    w.writerows(rows)
    done = subprocess.run([o.program, command, '--csv', '-'], input=text.getvalue(), capture_output=True, text=True)
    answers = list(csv.DictReader(io.StringIO(done.stdout)))
    if done.returncode != 0 or len(answers) != len(rows):
        sys.exit(f'{command}: exit {done.returncode}, {len(answers)} rows of {len(rows)}: {done.stderr[:300]}')
    return answers

def table(kind):
    with open(os.path.join(o.dir, f'{o.prefix}_{kind}.csv'), encoding='utf8') as f:
        return list(csv.DictReader(f))

def turn(a, b):
    return abs((a - b + 180) % 360 - 180)

def apart(az1, alt1, az2, alt2):
    r = math.radians
    x = math.hypot(2 * math.sin(r(alt1 - alt2) / 2), 2 * math.sin(r(az1 - az2) / 2) * math.cos(r(alt1)))
    return math.degrees(2 * math.asin(min(x / 2, 1))) * 3600

for kind, who in (('stars', 'star'), ('sunmoon', 'body')):
    rows = table(kind)
    answers = run('polestar', ['time_utc', 'lat_deg', 'lon_deg', 'height_m', 'pressure_hpa', 'temp_c', 'star'],
                  [[r['utc'] + 'Z', r['lat_deg'], r['lon_deg_e'], r['height_m'], r['press_hpa'], r['temp_c'], r[who].replace('HIP', 'HIP ')] for r in rows])
    for r, a in zip(rows, answers):
        where = f'{r[who]} {r["utc"]} lat {r["lat_deg"]} lon {r["lon_deg_e"]}'
        name = r['body'] if kind == 'sunmoon' else 'star'
        f = lambda d, k: float(d[k])
        note(name + ' airless', apart(f(a, 'azimuth_deg'), f(a, 'altitude_deg'), f(r, 'az_geo_deg'), f(r, 'alt_geo_deg')), where)
        if kind == 'stars':
            cos = math.cos(math.radians(f(r, 'dec_app_deg')))
            note('apparent right ascension', 3600 * cos * turn(f(a, 'ra_deg'), f(r, 'ra_app_deg')), where)
            note('apparent declination', 3600 * abs(f(a, 'dec_deg') - f(r, 'dec_app_deg')), where)
            note('hour angle', 3600 * cos * turn(f(a, 'hour_angle_deg'), f(r, 'ha_deg')), where)
        if r['alt_ref_deg'] == '':
            continue
        if a['altitude_refracted_deg'] == '':
            failures.append('no refracted altitude: ' + where)
            continue
        lift = (f(a, 'altitude_refracted_deg') - f(a, 'altitude_deg')) - (f(r, 'alt_ref_deg') - f(r, 'alt_geo_deg'))
        low = 'above 15' if f(r, 'alt_ref_deg') > 15 else '8 to 15'
        note(('star' if kind == 'stars' else 'body') + ' refraction ' + low, 3600 * abs(lift), where)
        # The refracted pole is only as good as the refraction: compare where both are above 15 degrees.
        if kind == 'stars' and f(r, 'sep_geo_arcmin') < 400 and abs(f(r, 'lat_deg')) > 15 and f(r, 'alt_ref_deg') > 15:
            note('offset', 60 * abs(f(a, 'offset_arcmin') - f(r, 'sep_ref_arcmin')), where)
            # A star within 10' of the pole turns by more for the same arc.
            note('position angle (deg)', turn(f(a, 'position_angle_deg'), f(r, 'pa_ref_deg')), where, max(1, 10 / f(r, 'sep_geo_arcmin')))

NAMES = {'sunset': 'sunset', 'civil_dusk': 'civil_dusk', 'naut_dusk': 'nautical_dusk', 'astro_dusk': 'astronomical_dusk',
         'astro_dawn': 'astronomical_dawn', 'naut_dawn': 'nautical_dawn', 'civil_dawn': 'civil_dawn', 'sunrise': 'sunrise'}
LEVELS = {'sunset': -0.833, 'sunrise': -0.833, 'civil': -6, 'naut': -12, 'astro': -18}
grazing = 0
rows = table('twilight')
answers = run('tonight', ['date', 'lat_deg', 'lon_deg', 'height_m'], [[r['date'], r['lat_deg'], r['lon_deg_e'], r['height_m']] for r in rows])
for r, a in zip(rows, answers):
    for theirs, ours in NAMES.items():
        where = f'{ours} {r["date"]} lat {r["lat_deg"]} lon {r["lon_deg_e"]}'
        # Where the Sun turns within 10 arcsec of the level, 2 arcsec of it are many seconds or all.
        level = LEVELS[theirs.split('_')[0]]
        if min(abs(float(r['sun_min_alt_deg']) - level), abs(float(r['sun_max_alt_deg']) - level)) < 10 / 3600:
            grazing += 1
            continue
        if (r[theirs] == '') != (a[ours] == ''):
            failures.append(f'{"invented" if r[theirs] == "" else "missed"}: {where} (theirs "{r[theirs]}", ours "{a[ours]}")')
        elif r[theirs]:
            note('twilight (s)', abs((datetime.fromisoformat(r[theirs]) - datetime.fromisoformat(a[ours].rstrip('Z'))).total_seconds()), where)

print('  ' + '; '.join(f'{k} {v[0]:.3g} of {LIMITS[k]} in {count[k]}' for k, v in worst.items()))
if grazing:
    print(f'  {grazing} grazing twilights left out')
for line in failures[:10]:
    print('  over: ' + line)
if count.get('offset', 0) < 20 or count.get('twilight (s)', 0) < 100:
    failures.append('too little was compared')
    print('  too little was compared: offsets', count.get('offset', 0), 'twilights', count.get('twilight (s)', 0))
sys.exit(1 if failures else 0)
