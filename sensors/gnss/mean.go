package gnss

import (
	"math"
	"time"
)

// The errors of a standing receiver are no white noise: reflections and the
// receiver's own filter change within a minute, atmosphere, orbits and the set
// of satellites within hours. So each axis is modelled as
//
//	measured = place + slow + fast
//
// with two first-order Gauss-Markov processes. Measured autocorrelations of
// standing receivers bend at about one minute and stay positive for an hour and
// more (D. L. Wilson, "Correlation of errors" and "GPS error when averaging
// position"); A. Soundy et al., Sensors 20(21) 6050, 2020, prefer the same kind
// of process to white noise. The slow time constant and the shares are own
// choice, on the careful side.
const (
	slowS     = 3600.0
	fastS     = 60.0
	slowShare = 0.7 // of the variance
	// grainM is what rounding in the sentences leaves, 1 sigma.
	grainM = 0.1
	// meanEvery is the least time between two fixes that are used: between them
	// is hardly any news.
	meanEvery = 5 * time.Second
	// farSigmas and farInRow tell a receiver that was carried away from one that
	// errs, also from one that states half its error; so does a speed.
	farSigmas   = 8.0
	farInRow    = 4
	carriedMS   = 2.0
	metresPerEq = 6378137.0 * math.Pi / 180 // metres per degree on the equator, WGS 84
)

// Position is an averaged place with its 1-sigma errors in metres.
type Position struct {
	LatDeg, LonDeg float64
	HeightM        float64 // above the ellipsoid; NaN when only 2D fixes came
	NorthSigmaM    float64
	EastSigmaM     float64
	HeightSigmaM   float64 // NaN with the height
	// Fixes that were used, and the arrival of the first and the newest.
	Fixes       int
	Since, Last time.Duration
}

// HorizontalSigmaM is the 1-sigma error of both axes together.
func (p *Position) HorizontalSigmaM() float64 { return math.Hypot(p.NorthSigmaM, p.EastSigmaM) }

// Mean averages the fixes of a receiver that stands still. It begins anew when
// the receiver was carried elsewhere.
type Mean struct {
	lat0, lon0, cosLat float64
	east, north, up    average
	fixes              int
	since, last        time.Duration
	away               int // fixes in a row that lie too far off
}

// Add takes a fix. moved tells that the receiver was carried away: what came
// before no longer counts.
func (m *Mean) Add(f *Fix) (moved bool) {
	if f.Mode == NoFix || (m.fixes > 0 && f.At-m.last < meanEvery) {
		return false
	}
	if m.fixes > 0 {
		e, n := m.local(f)
		far := math.Hypot(m.east.deviation(e, f.EastSigmaM, f.At-m.last), m.north.deviation(n, f.NorthSigmaM, f.At-m.last))
		if far > farSigmas || f.SpeedMS > carriedMS {
			if m.away++; m.away < farInRow {
				return false
			}
			*m = Mean{}
			moved = true
		} else {
			m.away = 0
		}
	}
	if m.fixes == 0 {
		m.lat0, m.lon0, m.since = f.LatDeg, f.LonDeg, f.At
		m.cosLat = max(math.Cos(f.LatDeg*math.Pi/180), 1e-6)
		m.last = f.At
	}
	dt := f.At - m.last
	e, n := m.local(f)
	m.east.add(e, f.EastSigmaM, dt)
	m.north.add(n, f.NorthSigmaM, dt)
	if f.Mode == Fix3D {
		m.up.add(f.HeightM, f.HeightSigmaM, f.At-m.up.last)
		m.up.last = f.At
	}
	m.fixes++
	m.last = f.At
	return moved
}

// local is the fix in metres east and north of the first one. The sphere is good
// enough for a few hundred metres.
func (m *Mean) local(f *Fix) (e, n float64) {
	return math.Remainder(f.LonDeg-m.lon0, 360) * m.cosLat * metresPerEq, (f.LatDeg - m.lat0) * metresPerEq
}

// Position is the average so far; ok is false before the first fix.
func (m *Mean) Position() (p Position, ok bool) {
	if m.fixes == 0 {
		return Position{}, false
	}
	p = Position{
		LatDeg:  min(max(m.lat0+m.north.place()/metresPerEq, -90), 90),
		LonDeg:  math.Remainder(m.lon0+m.east.place()/(metresPerEq*m.cosLat), 360),
		HeightM: math.NaN(), NorthSigmaM: m.north.sigma(), EastSigmaM: m.east.sigma(), HeightSigmaM: math.NaN(),
		Fixes: m.fixes, Since: m.since, Last: m.last,
	}
	if m.up.n > 0 {
		p.HeightM, p.HeightSigmaM = m.up.place(), m.up.sigma()
	}
	return p, true
}
