package scenario

import (
	"math"
	"time"
)

// sightKind is a way to see where the axis points. Sigmas are per direction, in
// degrees on the night sky (common practice, no source; that of the finder is the
// program's default).
type sightKind struct {
	name     string
	sigmaDeg float64
	altitude bool // it gives the altitude too
	aside    bool // what is sighted stands somewhere else in azimuth
	field    float64
}

func sightKinds() []sightKind {
	return []sightKind{
		{name: "pole star in the finder", sigmaDeg: 0.05, altitude: true, field: 3},
		{name: "Sun or Moon by shadow", sigmaDeg: 0.3, altitude: true},
		{name: "landmark", sigmaDeg: 0.3, aside: true},
	}
}

// chooseSight takes what can be sighted now: the pole star must be in the field.
func (e *Evening) chooseSight(now time.Duration) {
	k := sightKinds()[e.chance.IntN(3)]
	if k.field > 0 && e.errorDeg(now) > k.field {
		k = sightKinds()[1]
	}
	e.Outcome.Sight = k.name
	if k.aside {
		by := math.Copysign(20+80*e.chance.Float64(), e.chance.Float64()-0.5)
		takes := time.Duration(math.Abs(by) / e.Hands.habits.CoarseRate * float64(time.Second))
		e.Mount.TurnAzimuth(now+breath, takes, by)
	}
	e.enter(e.path.End()+breath, func(now time.Duration, v View) { e.takeSight(now, v, k) })
}

// takeSight waits for a rest and tells the program what is seen.
func (e *Evening) takeSight(now time.Duration, v View, k sightKind) {
	rest := now - e.path.End()
	if now < e.since || !v.Still || rest < sightTime || v.Disturbed && rest < heeds {
		return
	}
	alt, az := e.TruthAt(v.At)
	azSigma := k.sigmaDeg / math.Cos(alt*degree)
	s := Sight{Kind: k.name}
	s.Azimuth = Reading{Deg: az + azSigma*e.chance.NormFloat64(), SigmaDeg: azSigma, Known: true}
	if k.altitude {
		s.Altitude = Reading{Deg: alt + k.sigmaDeg*e.chance.NormFloat64(), SigmaDeg: k.sigmaDeg, Known: true}
	}
	err := e.program.Seen(s)
	if e.tries++; err != nil && e.tries < maxTries {
		e.enter(now+breath, func(now time.Duration, v View) { e.takeSight(now, v, k) })
		return
	}
	e.Outcome.SightTaken = err == nil
	e.sighted = true
	e.Hands.Resume(now)
	e.enter(now, e.align)
}

// errorDeg is how far the axis is from the aim, on the night sky.
func (e *Evening) errorDeg(now time.Duration) float64 {
	alt, az := e.TruthAt(now)
	aimAlt, aimAz := e.aim()
	return ErrorDeg(alt, az, aimAlt, aimAz)
}
