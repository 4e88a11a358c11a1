package gnss

import (
	"math"
	"time"
)

// Assembler makes fixes of sentences. A receiver sends several about the same
// moment in an order of its own; the next moment ends them.
type Assembler struct {
	open bool
	at   time.Duration
	// lastAt is when the newest sentence arrived.
	lastAt time.Duration
	// tod is the time of day of the moment; negative while none was sent.
	tod time.Duration
	gga *GGA
	rmc *RMC
	gst *GST
	zda *ZDA
	gsa GSA
	// inView counts by talker, since each system reports its own.
	inView map[string]int
}

// burstGap ends a moment too: receivers send once a second or faster, all about
// one moment in a row. At 4800 baud a full burst fills most of the second.
const burstGap = 2 * time.Second

// Add takes a decoded sentence that arrived at the given time (its first byte).
// It returns the fix that this sentence has completed: the one before.
func (a *Assembler) Add(at time.Duration, s *Sentence, m any) (Fix, bool) {
	if m == nil {
		return Fix{}, false
	}
	tod, repeats := time.Duration(-1), false
	switch m := m.(type) {
	case GGA:
		tod, repeats = m.TimeOfDay, a.gga != nil
	case RMC:
		tod, repeats = m.TimeOfDay, a.rmc != nil
	case GST:
		tod, repeats = m.TimeOfDay, a.gst != nil
	case ZDA:
		tod, repeats = m.TimeOfDay, a.zda != nil
	}
	var done Fix
	var ok bool
	other := tod >= 0 && a.tod >= 0 && (tod-a.tod).Abs() > time.Millisecond
	if a.open && (other || repeats || at-a.lastAt > burstGap) {
		done, ok = a.finish()
	}
	if !a.open {
		a.open, a.at, a.tod, a.gsa = true, at, -1, GSA{Mode: -1, PDOP: math.NaN(), HDOP: math.NaN(), VDOP: math.NaN()}
	}
	a.lastAt = at
	if tod >= 0 {
		a.tod = tod
	}
	a.keep(s.Talker, m)
	return done, ok
}

func (a *Assembler) keep(talker string, m any) {
	switch m := m.(type) {
	case GGA:
		a.gga = &m
	case RMC:
		a.rmc = &m
	case GST:
		a.gst = &m
	case ZDA:
		a.zda = &m
	case GSA:
		if m.Mode >= a.gsa.Mode {
			a.gsa = m
		}
	case GSV:
		if m.InView >= 0 {
			if a.inView == nil {
				a.inView = make(map[string]int)
			}
			a.inView[talker] = m.InView
		}
	}
}

// finish makes the fix of what was gathered; ok is false when no sentence told
// of a position or of its lack.
func (a *Assembler) finish() (Fix, bool) {
	defer func() {
		a.open, a.gga, a.rmc, a.gst, a.zda = false, nil, nil, nil, nil
		clear(a.inView)
	}()
	if a.gga == nil && a.rmc == nil {
		return Fix{}, false
	}
	f := newFix()
	f.At = a.at
	f.PDOP, f.HDOP, f.VDOP = a.gsa.PDOP, a.gsa.HDOP, a.gsa.VDOP
	for _, n := range a.inView {
		f.InView = max(f.InView, 0) + n
	}
	alt := math.NaN()
	geoidKnown := false
	if g := a.gga; g != nil {
		f.LatDeg, f.LonDeg, f.Used = g.LatDeg, g.LonDeg, g.Used
		if math.IsNaN(f.HDOP) {
			f.HDOP = g.HDOP
		}
		alt = g.AltM
		if geoidKnown = !math.IsNaN(g.GeoidSep); geoidKnown {
			alt += g.GeoidSep
		}
	}
	if r := a.rmc; r != nil {
		if math.IsNaN(f.LatDeg) || math.IsNaN(f.LonDeg) {
			f.LatDeg, f.LonDeg = r.LatDeg, r.LonDeg
		}
		f.SpeedMS, f.TrackDeg, f.MagvarDeg = r.SpeedMS, r.TrackDeg, r.MagvarDeg
	}
	a.judge(&f, !math.IsNaN(alt))
	if f.Mode == NoFix {
		return f, true
	}
	if f.Mode == Fix3D {
		f.HeightM = alt
	}
	acc := accuracy{north: math.NaN(), east: math.NaN(), height: math.NaN()}
	if a.gst != nil {
		acc = accuracy{north: a.gst.NorthSigmaM, east: a.gst.EastSigmaM, height: a.gst.HeightSigmaM, from: FromReceiver}
	}
	f.put(acc.orElse(byDilution(f.HDOP, f.VDOP, a.gga != nil && a.gga.Quality == 2)), geoidKnown)
	f.UTC = a.utc()
	return f, true
}

// judge sets the mode. Where sentences disagree the more modest one is believed.
func (a *Assembler) judge(f *Fix, hasAlt bool) {
	f.Mode = Fix2D
	if hasAlt {
		f.Mode = Fix3D
	}
	if a.gsa.Mode >= 0 {
		f.Mode = min(f.Mode, Mode(max(a.gsa.Mode-1, 0)))
	}
	quality, letter := -1, byte(0)
	if a.gga != nil {
		quality = a.gga.Quality
	}
	if a.rmc != nil {
		letter = a.rmc.ModeLetter
	}
	switch {
	case quality == 8 || letter == 'S':
		f.clear("the receiver simulates")
	case quality == 7 || letter == 'M':
		f.clear("the position was typed into the receiver")
	case quality == 6 || letter == 'E':
		f.clear("the receiver estimates without satellites")
	case quality == 0 || letter == 'N' || (a.rmc != nil && !a.rmc.Valid) || f.Mode == NoFix ||
		math.IsNaN(f.LatDeg) || math.IsNaN(f.LonDeg):
		f.clear("")
	}
}

// utc is date and time of day, as one sentence of the moment says both.
func (a *Assembler) utc() time.Time {
	switch {
	case a.rmc != nil && !a.rmc.Date.IsZero() && a.rmc.TimeOfDay >= 0:
		return a.rmc.Date.Add(a.rmc.TimeOfDay)
	case a.zda != nil && !a.zda.Date.IsZero() && a.zda.TimeOfDay >= 0:
		return a.zda.Date.Add(a.zda.TimeOfDay)
	}
	return time.Time{}
}
