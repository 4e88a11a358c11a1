// Package watch looks after an aligned tracker: it tells a tripod that was
// kicked, slips or sinks from sensors that drift with the cold, from wind and
// footsteps, and from a magnetic field that changes by itself. It is pure: time
// comes with the samples.
//
// It works on means over a tenth of a second. That is long enough for a mean to
// be nearly normal and for shaking above 10 Hz to cancel, short enough to see a
// knock within a second, and brings the cost of 100 samples a second down to ten
// steps. Three layers look at ever longer times:
//
//   - knocks: the last 0.6 s against the 1.5 s that ended 0.8 s before, in all
//     three directions, accelerometer and gyroscope combined;
//   - slips: the last 5 s against 20 s, 10 s apart;
//   - slow moves: the last minute against what was foretold from every fifth
//     minute of the night, with the temperature coefficient as an unknown that
//     is learned on the way.
//
// Each layer measures the scatter of its own differences, so wind raises its
// limits by itself.
package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

const degree = math.Pi / 180

// Head says whether the board turns with the tracker's head.
type Head int

const (
	// HeadAuto finds out: a board that rolls at the night sky's rate rides on the head.
	HeadAuto Head = iota
	// HeadFixed is a board on the part that does not turn.
	HeadFixed
	// HeadTurning is a board on the head.
	HeadTurning
)

// Options describe the sensors and how they sit. The zero value of a figure
// takes its default.
type Options struct {
	Inertial sensors.InertialSpec
	Magnetic sensors.MagneticSpec
	// South is set in the southern hemisphere: facing the pole, east is then to
	// the left.
	South bool
	Head  Head
	// NodSigmaDeg is, for a board on the head, the 1-sigma angle between body x
	// and the true axis with what the accelerometer calibration leaves: the
	// apparent altitude nods by it as the head turns. Default 0.2.
	NodSigmaDeg float64
	// ScaleDriftPerC is the 1-sigma relative change of the accelerometer's scale
	// per °C, each axis. Default 1e-4 (LSM6DSO: ±0.01 %/°C, from memory).
	ScaleDriftPerC float64
	// AccelScaleSigma and GyroScaleSigma are 1 sigma of what calibration leaves
	// of scale and cross-axis errors, 1 = 100 %. Defaults: 0.002, and the data
	// sheet's AccelCross (gyroscopes of the same chip are stated alike), at least
	// 0.01.
	AccelScaleSigma, GyroScaleSigma float64
	// Learned are temperature coefficients of former nights, nil when there are
	// none; the data sheet's figures are used then.
	Learned *Slopes
}

// Slopes are temperature coefficients of the apparent tilt, degrees per °C
// with 1 sigma: of the altitude, and of the tilt to the side (left side up).
type Slopes struct {
	UpPerC, UpSigma     float64
	SidePerC, SideSigma float64
}

func (o *Options) defaults() {
	if o.NodSigmaDeg == 0 {
		o.NodSigmaDeg = 0.2
	}
	if o.ScaleDriftPerC == 0 {
		o.ScaleDriftPerC = 1e-4
	}
	if o.AccelScaleSigma == 0 {
		o.AccelScaleSigma = 0.002
	}
	if o.GyroScaleSigma == 0 {
		o.GyroScaleSigma = max(o.Inertial.AccelCross, 0.01)
	}
	if o.Inertial.AccelNoise == 0 {
		o.Inertial.AccelNoise = unknownNoise
	}
	if o.Inertial.GyroNoise == 0 {
		o.Inertial.GyroNoise = unknownGyroNoise
	}
	if o.Inertial.AccelDriftPerC == 0 {
		o.Inertial.AccelDriftPerC = unknownDriftPerC
	}
}

// Figures of a chip of which nothing is known: those of the MPU-6050
// (PS-MPU-6000A-00 rev. 3.4), among the worst in use.
const (
	unknownNoise     = 400e-6 * sensors.StandardGravity
	unknownGyroNoise = 0.005 * degree
	unknownDriftPerC = 0.5e-3 * sensors.StandardGravity
)

// State says what the watch is doing.
type State string

const (
	Unarmed  State = "unarmed"
	Settling State = "settling" // armed, gathering the pose to compare with: some seconds
	Watching State = "watching"
	Moved    State = "moved" // an alarm is not acknowledged yet
	Blind    State = "blind" // armed, but the inertial sensor is silent
)

// Reference is the alignment when the watch begins: where the axis stands
// against the aim, in degrees on the night sky: the moves that guidance asks for
// with the opposite sign, the one in azimuth times the cosine of the altitude.
type Reference struct {
	UpDeg, UpSigmaDeg     float64 // positive: too high
	EastDeg, EastSigmaDeg float64 // positive: too far east; arc, not azimuth
	// Known is false when the alignment is not known; Why says the reason.
	Known bool
	Why   string
}

// Allowance is the picture being taken. A nil LongestS means that none is.
type Allowance struct {
	Lens      string // "135 mm"
	ExposureS float64
	// LongestS is the longest exposure, seconds, that an axis off by errorDeg on
	// the night sky allows; +Inf without limit.
	LongestS func(errorDeg float64) float64
	// BlurDeg is the shake, 1 sigma on the night sky, that begins to blur; 0: not known.
	BlurDeg float64
}

// Watch is one night's watch. It is not safe for concurrent use.
type Watch struct {
	opt   Options
	sigma noise

	// Samples being gathered.
	part assembly

	// Time and pose.
	at     time.Duration
	seen   bool
	frame  frame
	head   head
	wake   wake
	tempC  float64
	angle  [3]float64 // integrated rate about left, forward, up, degrees
	short  short
	long   long
	base   baseline
	event  event
	last   lastEvent
	slow   slow
	shake  shake
	field  field
	gap    gap
	refuse uint64

	armed    bool
	settling bool
	alarm    bool
	ref      Reference
	allow    Allowance
	moved    total
	ids      int
	queue    queue
}

// New makes an unarmed watch. It already learns while it is unarmed: feed it
// from the start.
func New(o Options) *Watch {
	o.defaults()
	w := &Watch{opt: o, tempC: math.NaN()}
	w.sigma = noiseOf(&w.opt)
	w.head.init(o)
	w.short.init(&w.sigma)
	w.long.init(&w.sigma)
	w.base.init(&w.sigma)
	w.shake.init(&w.sigma, &w.opt.Inertial)
	w.slow.init()
	return w
}

// Arm begins the watch: the pose of now is the aligned one. Repeated, it
// replaces the reference and clears alarms.
func (w *Watch) Arm(r Reference, a Allowance) {
	w.ref, w.allow = r, a
	w.armed, w.settling, w.alarm = true, true, false
	w.moved = total{}
	w.last = lastEvent{}
	// A move that is not over belongs to before.
	w.event.id, w.event.told, w.event.counted, w.event.alarmed = 0, 0, Move{}, false
	w.slow.move = slowMove{}
	w.gap = gap{}
	w.shake.begin()
	w.settle()
}

// Disarm ends the watch; it goes on learning.
func (w *Watch) Disarm() { w.armed, w.settling, w.alarm = false, false, false }

// Acknowledge ends an alarm: what has moved so far is known to the user. It
// stays part of the alignment error. A slow move that goes on is told again when
// it has grown by half.
func (w *Watch) Acknowledge() { w.alarm = false }

// SetAllowance changes lens and exposure.
func (w *Watch) SetAllowance(a Allowance) { w.allow = a }

// settle takes the rest pose as the new frame once there is one.
func (w *Watch) settle() {
	if !w.frame.ok || w.event.on || w.gap.on || w.wake.on || w.base.n < settleBlocks || w.base.known < knownBlocks {
		return
	}
	w.reframe(w.base.accel)
	w.settling = false
}

const (
	// settleBlocks is how long, in blocks, the mount must have rested.
	settleBlocks = 20
	// knownBlocks is how long a sensor must have been heard before its own noise
	// is known well enough.
	knownBlocks = 200
)

// reframe makes the direction of a, in the base's axes, the new zero of tilt.
// What was learned about temperature stays, unless the pose is quite another.
func (w *Watch) reframe(a r3.Vec) {
	w.endSlow()
	old := w.frame
	w.frame = newFrame(a)
	if !old.ok || r3.Dot(old.u, w.frame.u) < math.Cos(otherPoseDeg*degree) {
		w.slow.prior(&w.opt, &w.frame, w.head.on)
	}
	w.angle = [3]float64{}
	w.head.zero = 0
	w.short.restart()
	w.long.restart()
	w.base.restart(a)
	w.slow.restart(w.at, w.tempC, w.head.theta, w.base.upScatter.variance(), w.base.sideScatter.variance())
}

// otherPoseDeg is how far the board must be turned for its learned coefficients
// not to hold any more.
const otherPoseDeg = 15

// State is what the watch is doing at the time now.
func (w *Watch) State(now time.Duration) State {
	switch {
	case !w.armed:
		return Unarmed
	case !w.seen || now-w.at > blindAfter:
		return Blind
	case w.alarm:
		return Moved
	case w.settling || w.gap.on || w.wake.on || !w.short.full():
		return Settling
	}
	return Watching
}

// blindAfter is how old the newest block may be.
const blindAfter = 2 * time.Second

// Status is what the watch knows now.
type Status struct {
	State State
	// OnHead is true when the board rides on the head, HeadFollows while the
	// head turns with the night sky.
	OnHead, HeadFollows bool
	// Since is what moved since Arm, Error the alignment that is left.
	Since Move
	Error Offset
	// DriftUpDeg and DriftSideDeg are the apparent changes of tilt since the
	// pose was taken that were no move; ByTempUpDeg and ByTempSideDeg the part
	// that temperature explains.
	DriftUpDeg, DriftSideDeg   float64
	ByTempUpDeg, ByTempSideDeg float64
	// TempFallC is how much colder it is than then, NaN when not known.
	TempFallC float64
	Slopes    Slopes
	// SlopeSpanC is the range of temperature that Slopes were learned over.
	SlopeSpanC float64
	Refused    uint64 // samples that could not be used
}

// Status is what the watch knows at the time now.
func (w *Watch) Status(now time.Duration) Status {
	s := Status{
		State: w.State(now), OnHead: w.head.on, HeadFollows: w.head.on && !w.head.stopped,
		Refused: w.refuse, Slopes: w.slow.slopes(), SlopeSpanC: w.slow.span(),
		TempFallC: math.NaN(),
	}
	t := w.soFar()
	s.Since = t.move()
	s.Error = w.errorAfter(&t)
	w.slow.describe(&s)
	return s
}

// OnHead reports whether the board is taken to ride on the head.
func (w *Watch) OnHead() bool { return w.head.on }
