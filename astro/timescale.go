package astro

import (
	"math"
	"time"
)

const (
	secondsPerDay = 86400
	// julianUnixEpoch is the Julian date of 1970-01-01T00:00Z.
	julianUnixEpoch = 2440587.5
	// ttMinusTAI in seconds is exact by definition (IAU 1991 resolution A4,
	// recommendation IV).
	ttMinusTAI = 32.184
)

// JulianUT is the Julian date of Universal Time. UTC stands for UT1 here: while
// UTC has leap seconds the two differ by less than 0.9 s (13.5 arcsec of sky
// rotation), ITU-R TF.460-6. Resolution of the float64: 40 µs.
func JulianUT(t time.Time) float64 { return julianDate(t, 0) }

// JulianTT is the Julian date of Terrestrial Time, TAI + 32.184 s. Before 1972
// and after the last announced leap second it rests on the assumption that
// TAIMinusUTC states. Resolution of the float64: 40 µs.
func JulianTT(t time.Time) float64 {
	s, _ := TAIMinusUTC(t)
	return julianDate(t, s+ttMinusTAI)
}

func julianDate(t time.Time, plusSeconds float64) float64 {
	unix := t.Unix()
	day := math.Floor(float64(unix) / secondsPerDay)
	inDay := float64(unix) - day*secondsPerDay + float64(t.Nanosecond())*1e-9
	return julianUnixEpoch + day + (inDay+plusSeconds)/secondsPerDay
}

// TAIMinusUTC is the difference of the two scales in seconds at t.
//
// known is false where the value is an assumption: after the expiry of the
// leap second list (2026-06-28) the last value, 37 s, is kept; each leap second
// announced later makes TT wrong by 1 s, which moves the Moon by 0.5 arcsec, the
// Sun by 0.04 and no star. Before 1972, when UTC had no whole seconds, 10 s is
// kept; TT is then wrong by up to 10 s in the 1960s and the answer is of no use
// for earlier dates.
func TAIMinusUTC(t time.Time) (seconds float64, known bool) {
	unix := t.Unix()
	known = unix < leapKnownUntil.Unix()
	for i := len(leapSteps) - 1; i >= 0; i-- {
		if unix >= leapSteps[i].unix {
			return leapSteps[i].taiMinusUTC, known
		}
	}
	return leapSteps[0].taiMinusUTC, false
}

// isLeapSecondBefore tells whether a leap second ends at t.
func isLeapSecondBefore(t time.Time) bool {
	unix := t.Unix()
	for i := len(leapSteps) - 1; i > 0; i-- { // the first row is no leap second
		if unix == leapSteps[i].unix {
			return true
		}
	}
	return false
}

// leapStep is the moment from which a value of TAI-UTC holds.
type leapStep struct {
	unix        int64 // seconds since 1970-01-01T00:00Z
	taiMinusUTC float64
}

// leapSteps and leapKnownUntil: IERS, leap-seconds.list of 2025-07-07, updated
// through Bulletin C 70, expires 2026-06-28 (public domain; testdata has the
// copy that the test compares with).
var (
	leapSteps = [...]leapStep{
		{63072000, 10},   // 1972-01-01
		{78796800, 11},   // 1972-07-01
		{94694400, 12},   // 1973-01-01
		{126230400, 13},  // 1974-01-01
		{157766400, 14},  // 1975-01-01
		{189302400, 15},  // 1976-01-01
		{220924800, 16},  // 1977-01-01
		{252460800, 17},  // 1978-01-01
		{283996800, 18},  // 1979-01-01
		{315532800, 19},  // 1980-01-01
		{362793600, 20},  // 1981-07-01
		{394329600, 21},  // 1982-07-01
		{425865600, 22},  // 1983-07-01
		{489024000, 23},  // 1985-07-01
		{567993600, 24},  // 1988-01-01
		{631152000, 25},  // 1990-01-01
		{662688000, 26},  // 1991-01-01
		{709948800, 27},  // 1992-07-01
		{741484800, 28},  // 1993-07-01
		{773020800, 29},  // 1994-07-01
		{820454400, 30},  // 1996-01-01
		{867715200, 31},  // 1997-07-01
		{915148800, 32},  // 1999-01-01
		{1136073600, 33}, // 2006-01-01
		{1230768000, 34}, // 2009-01-01
		{1341100800, 35}, // 2012-07-01
		{1435708800, 36}, // 2015-07-01
		{1483228800, 37}, // 2017-01-01
	}
	leapKnownUntil = time.Date(2026, time.June, 28, 0, 0, 0, 0, time.UTC)
)
