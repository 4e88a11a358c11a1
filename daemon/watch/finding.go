package watch

import (
	"math"
	"time"
)

// Kind says what a finding is.
type Kind string

const (
	// Knock is a sudden move: a kick, a bump, a slip within about a second.
	Knock Kind = "knock"
	// Slip is a move within some ten seconds.
	Slip Kind = "slip"
	// Creep is a slow move: a sinking leg, a loosening clamp.
	Creep Kind = "creep"
	// Nudge is a push after which the axis came back.
	Nudge Kind = "nudge"
	// Roll is a turn about the axis itself, which leaves the alignment alone: on
	// the head, that it was turned by hand.
	Roll Kind = "roll"
	// HeadStopped: the head does not turn with the night sky any more.
	HeadStopped Kind = "head-stopped"
	// Shaking is vibration that blurs at the lens in use.
	Shaking Kind = "shaking"
	// FieldChange is a magnetic field that changed while nothing moved.
	FieldChange Kind = "field-change"
	// Gap closes a time without readings: what moved meanwhile.
	Gap Kind = "gap"
)

// Move is a change of where the axis points, degrees on the night sky.
type Move struct {
	UpDeg, UpSigmaDeg float64 // positive: higher
	// EastDeg is the arc towards the east, positive: to the east.
	EastDeg, EastSigmaDeg float64
	// RollDeg is the turn about the axis, right-handed about the direction that
	// the axis points to. It does not change the alignment.
	RollDeg, RollSigmaDeg float64
}

// SizeDeg is the angle between before and after, SigmaDeg its 1 sigma along
// that direction.
func (m Move) SizeDeg() float64 { return math.Hypot(m.UpDeg, m.EastDeg) }

// SigmaDeg is the 1 sigma of SizeDeg.
func (m Move) SigmaDeg() float64 {
	s := m.SizeDeg()
	if s == 0 {
		return math.Hypot(m.UpSigmaDeg, m.EastSigmaDeg) / math.Sqrt2
	}
	return math.Hypot(m.UpDeg*m.UpSigmaDeg, m.EastDeg*m.EastSigmaDeg) / s
}

// significance is the squared size in its own sigmas (chi-square with two
// degrees of freedom).
func (m Move) significance() float64 {
	return square(m.UpDeg/m.UpSigmaDeg) + square(m.EastDeg/m.EastSigmaDeg)
}

// Offset is where the axis stands against the aim, degrees on the night sky.
type Offset struct {
	UpDeg, UpSigmaDeg     float64
	EastDeg, EastSigmaDeg float64
	// SizeDeg is the angle on the night sky; SigmaDeg joins both directions, as
	// guidance does for its error.
	SizeDeg, SigmaDeg float64
	Known             bool
	Why               string
}

// Exposure is what a finding does to the picture being taken.
type Exposure struct {
	Lens      string
	ExposureS float64
	// LongestS is the longest exposure at the new error; FromS and ToS at one
	// sigma more and less; +Inf without limit.
	LongestS, FromS, ToS float64
	Known                bool
}

// Finding is one thing that the watch noticed.
type Finding struct {
	// ID counts findings from 1. A finding may be told more than once, each time
	// better; Update counts from 0, and Final marks the last.
	ID, Update int
	Final      bool
	Kind       Kind
	// Alarm is set when the axis moved, so that somebody should know.
	Alarm bool
	// Start is when it began, SeenAt when this was told. A Creep began after Start,
	// which is the moment that its size refers to.
	Start, SeenAt time.Duration
	// Move is what happened to the axis; zero for findings that are no moves.
	Move Move
	// VerticalUnseen: a turn about the vertical at the same time would not have
	// shown; EastDeg then supposes a leg that gives way.
	VerticalUnseen bool
	// ByTempDeg is, for a Creep, the apparent change that temperature explains
	// and that is not part of Move.
	ByTempDeg float64
	// Error is the alignment after it, Exposure what is still possible.
	Error    Offset
	Exposure Exposure
	// FieldUT is the size of a FieldChange.
	FieldUT float64
	// Shake is the minute that a Shaking is about.
	Shake Minute
	// Text says it in a sentence or two.
	Text string
}

// total adds moves up.
type total struct {
	up, east, roll    float64
	vUp, vEast, vRoll float64
}

// replace takes one move out and puts another in.
func (t *total) replace(out, in Move) {
	t.up += in.UpDeg - out.UpDeg
	t.east += in.EastDeg - out.EastDeg
	t.roll += in.RollDeg - out.RollDeg
	t.vUp += square(in.UpSigmaDeg) - square(out.UpSigmaDeg)
	t.vEast += square(in.EastSigmaDeg) - square(out.EastSigmaDeg)
	t.vRoll += square(in.RollSigmaDeg) - square(out.RollSigmaDeg)
}

func (t *total) add(m Move) { t.replace(Move{}, m) }

func (t *total) move() Move {
	return Move{
		UpDeg: t.up, UpSigmaDeg: math.Sqrt(t.vUp),
		EastDeg: t.east, EastSigmaDeg: math.Sqrt(t.vEast),
		RollDeg: t.roll, RollSigmaDeg: math.Sqrt(t.vRoll),
	}
}

// errorAfter is the alignment error once t has moved.
func (w *Watch) errorAfter(t *total) Offset {
	r := &w.ref
	if !w.armed {
		return Offset{Why: "the watch is not armed"}
	}
	if !r.Known {
		return Offset{Why: r.Why}
	}
	o := Offset{
		UpDeg: r.UpDeg + t.up, UpSigmaDeg: math.Sqrt(square(r.UpSigmaDeg) + t.vUp),
		EastDeg: r.EastDeg + t.east, EastSigmaDeg: math.Sqrt(square(r.EastSigmaDeg) + t.vEast),
		Known: true,
	}
	o.SizeDeg = math.Hypot(o.UpDeg, o.EastDeg)
	o.SigmaDeg = math.Hypot(o.UpSigmaDeg, o.EastSigmaDeg)
	return o
}

// exposureAt is what an alignment error allows.
func (w *Watch) exposureAt(o Offset) Exposure {
	a := &w.allow
	e := Exposure{Lens: a.Lens, ExposureS: a.ExposureS}
	if a.LongestS == nil || !o.Known {
		return e
	}
	e.Known = true
	e.LongestS = a.LongestS(o.SizeDeg)
	e.FromS = a.LongestS(o.SizeDeg + o.SigmaDeg)
	e.ToS = a.LongestS(max(o.SizeDeg-o.SigmaDeg, 0))
	return e
}

// tell fills in what follows from the move and queues the finding.
func (w *Watch) tell(f Finding, after *total) {
	f.SeenAt = w.at
	f.Error = w.errorAfter(after)
	f.Exposure = w.exposureAt(f.Error)
	f.Text = w.sentence(&f)
	if f.Alarm {
		w.alarm = true
	}
	w.queue.put(f)
}

func (w *Watch) nextID() int {
	w.ids++
	return w.ids
}

// queue holds findings until they are fetched; the oldest fall out.
type queue struct {
	_     [0]func() // never compared: no code for that
	items [32]Finding
	first int
	n     int
}

func (q *queue) put(f Finding) {
	if q.n == len(q.items) {
		q.first = (q.first + 1) % len(q.items)
		q.n--
	}
	q.items[(q.first+q.n)%len(q.items)] = f
	q.n++
}

// Next gives the findings one by one, oldest first; false when there is none.
// Up to 32 wait.
func (w *Watch) Next() (Finding, bool) {
	q := &w.queue
	if q.n == 0 {
		return Finding{}, false
	}
	f := q.items[q.first]
	q.items[q.first] = Finding{}
	q.first = (q.first + 1) % len(q.items)
	q.n--
	return f, true
}

func square(x float64) float64 { return x * x }
