#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Geocentric apparent places of planets for astro/sky: ERFA's eraPlan94 and eraEpv00, light time,
aberration, true equator and equinox of date. Needs Debian's python3-erfa and python3-numpy."""
import random, warnings
import numpy as np, erfa
warnings.simplefilter('ignore', erfa.ErfaWarning)
LIGHT = 499.004782 / 86400  # days per au

def place(planet, u1, u2):
    t1, t2 = erfa.taitt(*erfa.utctai(u1, u2))
    earth, _ = erfa.epv00(t1, t2)
    light = 0
    for _ in range(4):
        v = erfa.plan94(t1, t2 - light, planet)['p'] - earth['p']
        distance = np.linalg.norm(v)
        light = distance * LIGHT
    a, eo = erfa.apci13(t1, t2)
    ra, dec = erfa.c2s(erfa.rxp(a['bpn'], erfa.ab(v / distance, a['v'], a['em'], a['bm1'])))
    return np.degrees(erfa.anp(ra - eo)), np.degrees(dec), distance

r = random.Random(20261124)
print('planet,utc,ra_deg,dec_deg,distance_au')
for _ in range(40):
    y, mo, d, h = r.randint(2000, 2049), r.randint(1, 12), r.randint(1, 28), r.randint(0, 23)
    for n, name in ((2, 'venus'), (4, 'mars'), (5, 'jupiter'), (6, 'saturn')):
        ra, dec, au = place(n, *erfa.dtf2d('UTC', y, mo, d, h, 0, 0.0))
        print(f'{name},{y:04d}-{mo:02d}-{d:02d}T{h:02d}:00:00Z,{ra:.5f},{dec:.5f},{au:.6f}')
