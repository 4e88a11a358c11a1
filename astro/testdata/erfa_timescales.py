#!/usr/bin/env python3
"""Write erfa_timescales.csv: ERFA's dtf2d, utctai, taitt, utcut1 (DUT1 = 0) and astropy's decimalyear.

Debian: apt-get install python3-erfa python3-astropy; run with /usr/bin/python3.
"""
import random
import warnings

import erfa
from astropy.time import Time

warnings.simplefilter("ignore")  # "dubious year": the same assumption of 37 s as ours

STEPS = [(1972, 7), (1973, 1), (1981, 7), (1994, 7), (1999, 1), (2006, 1), (2009, 1), (2012, 7), (2015, 7), (2017, 1)]
rows = []
for year, month in STEPS:
    day_before = (year - 1, 12, 31) if month == 1 else (year, 6, 30)
    rows += [(*day_before, 23, 59, 58.75), (*day_before, 23, 59, 59.5), (*day_before, 23, 59, 60.0),
             (*day_before, 23, 59, 60.625), (year, month, 1, 0, 0, 0.0), (year, month, 1, 0, 0, 0.5)]
rnd = random.Random(20250713)
for _ in range(60):
    rows.append((rnd.randint(1972, 2099), rnd.randint(1, 12), rnd.randint(1, 28), rnd.randint(0, 23),
                 rnd.randint(0, 59), rnd.randint(0, 59) + rnd.randint(0, 7) / 8))
rows += [(2000, 1, 1, 12, 0, 0.0), (2024, 2, 29, 6, 30, 15.25), (2025, 7, 2, 12, 0, 0.0), (2030, 1, 1, 0, 0, 0.0)]
print("utc,tai_minus_utc_s,tt_day,tt_fraction,ut_day,ut_fraction,decimal_year")
for y, mo, d, h, mi, s in rows:
    u1, u2 = erfa.dtf2d("UTC", y, mo, d, h, mi, s)
    a1, a2 = erfa.utctai(u1, u2)
    t1, t2 = erfa.taitt(a1, a2)
    w1, w2 = erfa.utcut1(u1, u2, 0.0)
    name = f"{y:04d}-{mo:02d}-{d:02d}T{h:02d}:{mi:02d}:{s:06.3f}Z"
    print(f"{name},{erfa.dat(y, mo, d, 0.0):.0f},{t1!r},{t2:.15f},{w1!r},{w2:.15f},{Time(u1, u2, format='jd', scale='utc').decimalyear:.9f}")
