package scenario

import (
	"math"
	"time"

	"plumbstar/astro"
)

// View is everything that is watched on an evening: the screen, and what stands
// behind it.
type View struct {
	Screen
	// At is the time of the newest sample in it.
	At    time.Duration
	State string
	// Altitude and Azimuth of the axis; AltNoiseDeg is the stated white noise in
	// the altitude, 1 sigma.
	Altitude, Azimuth Reading
	AltNoiseDeg       float64
	// Budget is the program's, 1 sigma.
	Budget []Part
}

// Miss is what an estimate was off by, and its 1 sigma, degrees.
type Miss struct {
	ErrDeg, SigmaDeg float64
	Known            bool
}

// Within reports whether the truth lies in the stated 95 % bound.
func (m Miss) Within() bool { return math.Abs(m.ErrDeg) <= sigma95*m.SigmaDeg }

// Observation is one estimate against the truth.
type Observation struct{ Altitude, Azimuth Miss }

const (
	sigma95 = 1.959964
	// chi95 holds 95 % of a chi-square with two degrees of freedom.
	chi95 = 5.991465
)

// Known reports whether both angles were given.
func (o Observation) Known() bool { return o.Altitude.Known && o.Azimuth.Known }

// Within reports whether the true axis lies in the stated 95 % region about the
// estimated one: the ellipse of the two sigmas (chi-square, 2 degrees of
// freedom). The parts of the budget act on altitude and azimuth of an axis near
// the meridian independently.
func (o Observation) Within() bool {
	a, z := o.Altitude.ErrDeg/o.Altitude.SigmaDeg, o.Azimuth.ErrDeg/o.Azimuth.SigmaDeg
	return a*a+z*z <= chi95
}

// Beyond reports an error of more than n sigma in a known angle.
func (o Observation) Beyond(n float64) bool {
	return o.Altitude.beyond(n) || o.Azimuth.beyond(n)
}

func (m Miss) beyond(n float64) bool { return m.Known && math.Abs(m.ErrDeg) > n*m.SigmaDeg }

// Grid of times since standstill on which the noise of the altitude is gathered.
const (
	NoiseStep  = 100 * time.Millisecond
	NoiseSteps = 50
)

// Outcome is what one evening came to.
type Outcome struct {
	Way Way
	// Samples holds, for each state that occurred, one look at random.
	Samples map[string]Observation
	// Looks counts the states, Unknown the looks that gave no direction.
	Looks   map[string]int
	Unknown int
	// Steady counts looks that were called steady, Beyond those of them with an
	// error of more than four sigma.
	Steady, Beyond int

	Aligned      bool
	StarInFinder bool
	// FinalDeg is the angle between axis and aim at the end.
	FinalDeg float64
	Final    Observation
	KnobS    float64
	Turns    int

	// Parts are the true contributions at the end and their stated sigmas, of an
	// evening by compass that ended undisturbed; else empty.
	Parts []PartMiss

	HeadRefused, TurnRefused int
	Checked                  bool
	Sight                    string
	SightTaken               bool

	// ToNoiseS is the time from the last standstill to a stated noise of the
	// altitude of 0.02° or less; ToSteadyS that to the state "steady". NaN: never.
	ToNoiseS, ToSteadyS float64
	// Noise is the altitude, on the grid from the last standstill, minus its mean
	// over the end of the evening, degrees; NaN where there was no look.
	Noise [NoiseSteps]float64

	late     []float64 // altitude error over the last seconds
	standing time.Duration
}

// PartMiss is one part of the budget against the truth.
type PartMiss struct {
	Name              string
	Altitude, Azimuth Miss
}

// FinderRadiusDeg: the star is in the finder when the axis is that near to the
// aim.
const FinderRadiusDeg = 3

// noiseLimitDeg is the noise of altitude that counts as settled.
const noiseLimitDeg = 0.02

func newOutcome(w Way) Outcome {
	o := Outcome{Way: w, Samples: map[string]Observation{}, Looks: map[string]int{}, ToNoiseS: math.NaN(), ToSteadyS: math.NaN()}
	o.clearNoise()
	return o
}

func (o *Outcome) clearNoise() {
	for i := range o.Noise {
		o.Noise[i] = math.NaN()
	}
	o.ToNoiseS, o.ToSteadyS = math.NaN(), math.NaN()
	o.late = o.late[:0]
}

// observe compares a view with the truth.
func (e *Evening) observe(v View) {
	o := &e.Outcome
	alt, az := e.TruthAt(v.At)
	x := Observation{
		Altitude: miss(v.Altitude, v.Altitude.Deg-alt),
		Azimuth:  miss(v.Azimuth, astro.Turn180(v.Azimuth.Deg-az)),
	}
	o.Final = x
	o.Looks[v.State]++
	if !x.Azimuth.Known {
		o.Unknown++
	}
	// Each look of a state is as likely as any other to be the one that is kept.
	if e.chance.IntN(o.Looks[v.State]) == 0 {
		o.Samples[v.State] = x
	}
	if v.Steady {
		o.Steady++
		if x.Beyond(4) {
			o.Beyond++
		}
	}
	e.settle(v, x)
}

func miss(r Reading, err float64) Miss {
	return Miss{ErrDeg: err, SigmaDeg: r.SigmaDeg, Known: r.Known}
}

// settle times the last standstill.
func (e *Evening) settle(v View, x Observation) {
	o := &e.Outcome
	end := e.path.End()
	if end != o.standing {
		o.standing = end
		o.clearNoise()
	}
	since := (v.At - end).Seconds()
	if since < 0 || !x.Altitude.Known {
		return
	}
	if math.IsNaN(o.ToNoiseS) && v.AltNoiseDeg <= noiseLimitDeg {
		o.ToNoiseS = (v.Shown - end).Seconds()
	}
	if math.IsNaN(o.ToSteadyS) && v.Steady {
		o.ToSteadyS = (v.Shown - end).Seconds()
	}
	if k := int(since / NoiseStep.Seconds()); k < NoiseSteps && math.IsNaN(o.Noise[k]) {
		o.Noise[k] = x.Altitude.ErrDeg
	}
	if since > lastLook.Seconds()/2 {
		o.late = append(o.late, x.Altitude.ErrDeg)
	}
}

// finish closes the books.
func (e *Evening) finish(v View) {
	o := &e.Outcome
	o.FinalDeg = e.errorDeg(v.At)
	o.StarInFinder = o.FinalDeg <= FinderRadiusDeg
	o.KnobS, o.Turns = e.Hands.Work.Seconds(), e.Hands.Turns
	var mean float64
	for _, d := range o.late {
		mean += d / float64(len(o.late))
	}
	for i := range o.Noise {
		o.Noise[i] -= mean
	}
	o.late = nil
	if e.Way != Compass || v.Disturbed || !v.Azimuth.Known {
		return
	}
	stated := grouped(v.Budget)
	for _, p := range e.trueParts(e.program.Corrected()) {
		s := stated[p.Name]
		o.Parts = append(o.Parts, PartMiss{p.Name,
			Miss{p.AltitudeDeg, s.AltitudeDeg, s.AltitudeDeg > 0}, Miss{p.AzimuthDeg, s.AzimuthDeg, s.AzimuthDeg > 0}})
	}
}

// States are the states of an estimate that are counted. In the others there are
// no numbers to count.
func States() []string { return []string{"steady", "settling", "moving", "disturbed"} }
