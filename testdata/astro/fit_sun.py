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
D, L, A, F = erfa.fad03(t), erfa.fal03(t), erfa.falp03(t), erfa.faf03(t)

def fit(what, residual, terms, power=0):
    columns = [t ** k for k in range(power + 1)]
    for name in terms:
        argument = eval(name, dict(v=V, e=E, m=M, j=J, s=S, d=D, l=L, a=A, f=F))
        columns += [np.sin(argument), np.cos(argument)]
    x = np.array(columns).T
    c = np.linalg.lstsq(x, residual, rcond=None)[0]
    left = residual - x @ c
    print(f'// {what}: mean {c[:power + 1].round(2).tolist()}; left over: largest {abs(left).max():.2f}, rms {left.std():.2f}')
    for i, name in enumerate(terms):
        sin, cos = c[power + 1 + 2 * i:power + 3 + 2 * i].round(2) + 0.0
        print(f'{{{name}, sin: {sin}, cos: {cos}}},')

print(f'// without the terms: longitude {abs(d_lon).max():.1f} arcsec, latitude {abs(d_lat).max():.1f}, distance {abs(d_r).max():.0f}e-6 au')
fit('longitude, arcsec', d_lon, [
    'j-e', 'd', '2*v-2*e', 'v-e', '2*j-2*e', 'j', '2*v-3*e', '2*m-2*e', '2*m-e', '2*j-e', '3*v-4*e', '3*v-5*e', '3*v-3*e',
    '3*j-2*e', '3*m-2*e', 's-e', 'd-l', '4*m-3*e', '5*m-3*e', '5*v-8*e', '4*v-4*e', 'm-e', 'd+l', 'd-a', '4*v-6*e', '3*j-e',
    's'], 2)
fit('latitude, arcsec', d_lat, ['f', '3*v-4*e', '2*j-e'])
fit('distance, 1e-6 au', d_r, ['d', 'j-e', '2*v-2*e', '2*j-2*e', 'v-e', '2*m-2*e'])
