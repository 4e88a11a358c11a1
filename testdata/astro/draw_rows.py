#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Draws random sites, moments, stars and nights for gen_reference.py: its configuration and a star
list in its form, from the lists of astro/sky. The same seed gives the same rows."""
import argparse, csv, json, os, random

p = argparse.ArgumentParser()
p.add_argument('--seed', type=int, required=True)
p.add_argument('--rows', type=int, default=300)
p.add_argument('--lists', required=True)
p.add_argument('--out', required=True)
o = p.parse_args()
r = random.Random(o.seed)

# Latitudes crowd where something can go wrong: the poles, the circles, the equator.
def latitude():
    return round(r.choice((r.uniform(-70, 70), r.uniform(-70, 70), r.uniform(60, 75) * r.choice((-1, 1)),
                           r.uniform(-3, 3), r.uniform(80, 89.9) * r.choice((-1, 1)))), 4)

sites = []
for i in range(40):
    height = r.choice((0, r.randint(0, 500), r.randint(0, 4500)))
    temp = round(r.uniform(-25, 32), 1)
    sites.append(dict(name=f'S{i}', lat=latitude(), lon=round(r.uniform(-180, 180), 4), height=height,
                      press=round(1013 * (1 - 2.25577e-5 * height) ** 5.256 + r.uniform(-20, 20)), temp=temp, rh=round(r.uniform(0.05, 0.95), 2)))

def utc():
    return '%04d-%02d-%02dT%02d:%02d:%06.3f' % (r.randint(2000, 2050), r.randint(1, 12), r.randint(1, 28),
                                              r.randint(0, 23), r.randint(0, 59), r.uniform(0, 59.99))

stars = {}
for name in ('north', 'south', 'bright'):
    with open(os.path.join(o.lists, name + '.csv'), encoding='utf8') as f:
        for row in csv.DictReader(f):
            if row['hip']:
                stars.setdefault('HIP' + row['hip'], row | {'polar': name != 'bright'})
polar = [k for k, v in stars.items() if v['polar']]
pole_stars = ['HIP11767', 'HIP104382']
star_rows = []
for _ in range(o.rows):
    site = r.choice(sites)
    near = [k for k in polar if (float(stars[k]['dec_deg_j2000']) > 0) == (site['lat'] > 0)]
    star = r.choice((r.choice(near), r.choice(near), r.choice(list(stars)), pole_stars[site['lat'] < 0]))
    star_rows.append(dict(star=star, site=site['name'], utc=utc()))
config = dict(
    sites=sites, star_rows=star_rows,
    body_rows=[dict(site=r.choice(sites)['name'], utc=utc()) for _ in range(o.rows // 2)],
    night_rows=[dict(site=r.choice(sites)['name'], date='%04d-%02d-%02d' % (r.randint(2000, 2050), r.randint(1, 12), r.randint(1, 28)))
                for _ in range(o.rows // 2)])
with open(os.path.join(o.out, 'config.json'), 'w') as f:
    json.dump(config, f)
with open(os.path.join(o.out, 'stars.csv'), 'w', newline='', encoding='utf8') as f:
    w = csv.writer(f)
    columns = ['ra_deg_j2000', 'dec_deg_j2000', 'pm_ra_cosdec_masyr', 'pm_dec_masyr', 'parallax_mas', 'rv_kms']
    w.writerow(['id'] + columns)
    for k, v in stars.items():
        w.writerow([k] + [v[c] for c in columns])
