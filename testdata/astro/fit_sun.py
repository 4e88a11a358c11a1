#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Fits the perturbations in astro/sky/sun.go: ERFA's eraEpv00 minus the two-body Sun of
Meeus (Astronomical Algorithms, 2nd ed., ch. 25) in longitude, latitude and distance, 1972 to 2100,
over the differences of planetary mean longitudes that matter. Prints the rows of the Go tables.

Needs Debian's python3-erfa and python3-numpy.
"""
import warnings
import numpy as np, erfa
warnings.simplefilter('ignore', erfa.ErfaWarning)

RAD = np.pi / 180
jd = np.arange(2441317.5, 2488435.0, 3.37)
t = (jd - 2451545) / 36525
heliocentric, _ = erfa.epv00(jd, 0 * jd)
sun = np.einsum('nij,nj->ni', erfa.pmat06(jd, 0 * jd), -heliocentric['p'])
sin, cos = np.sin(erfa.obl06(jd, 0 * jd)), np.cos(erfa.obl06(jd, 0 * jd))
x, y, z = sun[:, 0], cos * sun[:, 1] + sin * sun[:, 2], cos * sun[:, 2] - sin * sun[:, 1]
r = np.sqrt((sun ** 2).sum(1))

mean = 280.46646 + 36000.76983 * t + 0.0003032 * t ** 2
anomaly = 357.52911 + 35999.05029 * t - 0.0001537 * t ** 2
centre = ((1.914602 - 0.004817 * t - 0.000014 * t ** 2) * np.sin(anomaly * RAD)
          + (0.019993 - 0.000101 * t) * np.sin(2 * anomaly * RAD) + 0.000289 * np.sin(3 * anomaly * RAD))
e = 0.016708634 - 0.000042037 * t - 0.0000001267 * t ** 2
d_lon = ((np.arctan2(y, x) / RAD - mean - centre + 180) % 360 - 180) * 3600
d_lat = np.arcsin(z / r) / RAD * 3600
d_r = (r - 1.000001018 * (1 - e * e) / (1 + e * np.cos((anomaly + centre) * RAD))) * 1e6

V, E, M, J, S = (f(t) for f in (erfa.fave03, erfa.fae03, erfa.fama03, erfa.faju03, erfa.fasa03))
D, F = erfa.fad03(t), erfa.faf03(t)

def fit(what, residual, terms):
    columns = [np.ones_like(t)]
    for _, argument in terms:
        columns += [np.sin(argument), np.cos(argument)]
    a = np.array(columns).T
    c = np.linalg.lstsq(a, residual, rcond=None)[0]
    left = residual - a @ c
    print(f'// {what}: constant {c[0]:.2f}; left over: largest {abs(left).max():.2f}, rms {left.std():.2f}')
    for i, (name, _) in enumerate(terms):
        print(f'{{{name}, {c[1 + 2 * i]:.2f}, {c[2 + 2 * i]:.2f}}},')

print(f'// without the terms: longitude {abs(d_lon).max():.1f} arcsec, latitude {abs(d_lat).max():.1f}, distance {abs(d_r).max():.0f}e-6 au')
fit('longitude, arcsec', d_lon, [
    ('j - e', J - E), ('d', D), ('2*v - 2*e', 2 * V - 2 * E), ('v - e', V - E), ('2*j - 2*e', 2 * J - 2 * E), ('j', J),
    ('2*v - 3*e', 2 * V - 3 * E), ('2*m - 2*e', 2 * M - 2 * E), ('2*m - e', 2 * M - E), ('2*j - e', 2 * J - E),
    ('3*v - 4*e', 3 * V - 4 * E), ('3*v - 5*e', 3 * V - 5 * E), ('3*v - 3*e', 3 * V - 3 * E), ('3*j - 2*e', 3 * J - 2 * E),
    ('3*m - 2*e', 3 * M - 2 * E), ('s - e', S - E)])
fit('latitude, arcsec', d_lat, [('f', F)])
fit('distance, 1e-6 au', d_r, [('d', D), ('j - e', J - E), ('2*v - 2*e', 2 * V - 2 * E)])
