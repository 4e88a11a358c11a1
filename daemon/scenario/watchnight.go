package scenario

import (
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors/sim"
)

// WatchOptions are the circumstances of a night under watch; the zero value of a
// figure takes its default.
type WatchOptions struct {
	Length time.Duration // of the watch; default 10 h
	FallC  float64       // fall of temperature over it; default 15
	// Part draws the inertial chip; default sim.TypicalLSM6DSO.
	Part func(seed uint64) sim.Settings
	// Fold is the part's noise after filter and rate as a factor on the data
	// sheet's density; chips that drop samples fold noise back. Default 1.
	Fold float64
	// Knocks is how many there are, of MinDeg to MaxDeg on the night sky (evenly in the
	// logarithm; default 0.05 to 0.5).
	Knocks         int
	MinDeg, MaxDeg float64
	// Sinks is how many legs sink by 0.1° in an hour, one after the other.
	Sinks int
	// Calm leaves out wind, footsteps and machines; NoField the field's jumps.
	Calm bool
	// OnHead puts the board on the turning head; South goes to the other hemisphere.
	OnHead, South bool
}

// WatchArm is when the watch of a WatchNight begins: the sensor has run for so
// long by then.
const WatchArm = 10 * time.Minute

// Disturbances of a night under watch. No statistics of tripods in fields were at
// hand: all are common practice without a source, but for the lean. A platform of
// 0.05 m² in 5 m/s of wind (drag 1.2) is pressed by 0.9 N, 0.2 m above a tripod
// of 1000 N·m/rad: 0.01°, of which gusts make a third to a half.
const (
	gustsPerHour  = 1.5
	gustLeanMin   = 0.001 // degrees, 1 sigma, each of three directions
	gustLeanMax   = 0.006
	gustMemory    = 3 * time.Second
	gustShakeMax  = 0.01 // m/s²
	walksPerHour  = 1.0
	stepEvery     = 550 * time.Millisecond
	stepShakeMax  = 0.15 // m/s²
	walkLeanMax   = 0.006
	humsPerHour   = 0.5
	humShakeMax   = 0.03 // m/s²
	fieldsPerHour = 0.5
	sinkDegPerH   = 0.1
)

// WatchEvent is a move that really happens.
type WatchEvent struct {
	Sink     bool
	At, Ends time.Duration
	turn     r3.Vec // about forward, left, up, degrees
	rise     time.Duration
	ring     float64 // amplitude of the swinging after it, as a part of turn
	ringHz   float64
	shock    r3.Vec // m/s²
	shockHz  float64
}

// spell is a disturbance that lasts for a while.
type spell struct {
	from, to time.Duration
	lean     float64 // degrees
	way      r3.Vec  // direction and size of shaking, m/s²
	hz       float64
	phase    float64
}

// fade is 0 outside a spell and 1 inside, with soft ends of five seconds.
func (s *spell) fade(t time.Duration) float64 {
	const soft = 5.0
	in, out := (t - s.from).Seconds(), (s.to - t).Seconds()
	x := min(in, out) / soft
	switch {
	case x <= 0:
		return 0
	case x >= 1:
		return 1
	}
	return x * x * (3 - 2*x)
}

// WatchNight is a night of an aligned tracker: what happens to the mount, the
// temperature and the field. It serves simulated chips (World) and, faster, means
// over tenths of a second (NextBlock) of the same truth. It is not safe for
// concurrent use, and one night serves one of the two.
type WatchNight struct {
	opt        WatchOptions
	seed       uint64
	alt        float64 // degrees
	cos, sin   float64
	events     []WatchEvent
	gusts      []spell
	walks      []spell
	hums       []spell
	fields     []spell
	temps      []float64 // one a minute
	field      r3.Vec    // forward, left, up, µT
	fieldTurns []float64 // natural, degrees, one a minute
	wind       windLean
	blocks     *watchBlocks
}

// NewWatchNight makes a night; everything follows from the seed.
func NewWatchNight(seed uint64, o WatchOptions) *WatchNight {
	if o.Length == 0 {
		o.Length = 10 * time.Hour
	}
	if o.FallC == 0 {
		o.FallC = 15
	}
	if o.Part == nil {
		o.Part = sim.TypicalLSM6DSO
	}
	if o.MinDeg == 0 {
		o.MinDeg, o.MaxDeg = 0.05, 0.5
	}
	if o.Fold == 0 {
		o.Fold = 1
	}
	n := &WatchNight{opt: o, seed: seed}
	n.alt = 51.90
	n.field = r3.Vec{X: 19.4, Y: -1.2, Z: -44.6}
	if o.South {
		n.alt = 31.60
		n.field = r3.Vec{X: -25.5, Y: 3.4, Z: 49.6}
	}
	n.sin, n.cos = math.Sincos(n.alt * degree)
	rng := rand.New(rand.NewPCG(seed, 0x7761746368))
	n.drawTemps(rng)
	n.drawEvents(rng)
	if !o.Calm {
		n.drawSpells(rng)
	}
	n.wind = newWindLean(n, rng)
	return n
}

// End is when the night is over.
func (n *WatchNight) End() time.Duration { return WatchArm + n.opt.Length }

// drawTemps makes a fall between a straight line and an exponential of four
// hours, with fluctuations of some tenths in ten minutes.
func (n *WatchNight) drawTemps(rng *rand.Rand) {
	minutes := int(n.End().Minutes()) + 2
	span := n.End().Hours()
	bend := rng.Float64()
	const tau = 4.0
	full := 1 - math.Exp(-span/tau)
	begin := 8 + 8*rng.Float64()
	var fluctuation, turn float64
	keep, slow := math.Exp(-1.0/10), math.Exp(-1.0/90)
	for m := range minutes {
		h := float64(m) / 60
		x := (1-bend)*h/span + bend*(1-math.Exp(-h/tau))/full
		fluctuation = keep*fluctuation + math.Sqrt(1-keep*keep)*0.2*rng.NormFloat64()
		turn = slow*turn + math.Sqrt(1-slow*slow)*fieldVariationDeg*rng.NormFloat64()
		n.temps = append(n.temps, begin-n.opt.FallC*x+fluctuation)
		n.fieldTurns = append(n.fieldTurns, turn)
	}
}

// Knocks keep knockApart from each other and from the ends of the night, sinks at
// least sinkApart from the next: a leg that rests for less still sinks.
const (
	knockApart = 10 * time.Minute
	sinkApart  = 50 * time.Minute
)

func (n *WatchNight) drawEvents(rng *rand.Rand) {
	if n.opt.Knocks > 0 {
		slot := (n.opt.Length - knockApart) / time.Duration(n.opt.Knocks)
		for k := range n.opt.Knocks {
			at := WatchArm + knockApart/2 + time.Duration(k)*slot + time.Duration(rng.Float64()*float64(max(slot-knockApart, slot/4)))
			n.events = append(n.events, n.knock(at, rng))
		}
	}
	if n.opt.Sinks > 0 {
		slot := n.opt.Length / time.Duration(n.opt.Sinks)
		for k := range n.opt.Sinks {
			hours := 1 + rng.Float64()
			length := time.Duration(hours * float64(time.Hour))
			at := WatchArm + time.Duration(k)*slot + 5*time.Minute + time.Duration(rng.Float64()*float64(max(slot-length-sinkApart, 0)))
			// A leg that gives way turns the tripod about the line through the
			// other two.
			s, c := math.Sincos(2 * math.Pi * rng.Float64())
			deg := sinkDegPerH * hours
			n.events = append(n.events, WatchEvent{Sink: true, At: at, Ends: at + length, turn: r3.Vec{X: deg * c, Y: deg * s}})
		}
	}
	sort.Slice(n.events, func(i, j int) bool { return n.events[i].At < n.events[j].At })
}

// knock draws size and direction on the night sky, adds a roll of its own, and turns
// both into angles about forward, left and up.
func (n *WatchNight) knock(at time.Duration, rng *rand.Rand) WatchEvent {
	size := n.opt.MinDeg * math.Pow(n.opt.MaxDeg/n.opt.MinDeg, rng.Float64())
	s, c := math.Sincos(2 * math.Pi * rng.Float64())
	up, left := size*s, size*c
	roll := 0.5 * size * rng.NormFloat64()
	e := WatchEvent{
		At:   at,
		turn: r3.Vec{X: n.cos*roll - n.sin*left, Y: -up, Z: n.sin*roll + n.cos*left},
		rise: 50*time.Millisecond + time.Duration(rng.Float64()*float64(350*time.Millisecond)),
		ring: 0.3 + 0.5*rng.Float64(), ringHz: 4 + 5*rng.Float64(),
		shock:   drawVec(0.8, rng),
		shockHz: 15 + 20*rng.Float64(),
	}
	e.Ends = at + e.rise
	return e
}

func (n *WatchNight) drawSpells(rng *rand.Rand) {
	hours := n.opt.Length.Hours()
	draw := func(perHour float64, least, most time.Duration) []spell {
		var out []spell
		for range int(perHour*hours + rng.Float64()) {
			from := time.Duration(rng.Float64() * float64(n.End()))
			length := least + time.Duration(rng.Float64()*float64(most-least))
			out = append(out, spell{from: from, to: from + length, phase: 2 * math.Pi * rng.Float64()})
		}
		sort.Slice(out, func(i, j int) bool { return out[i].from < out[j].from })
		// Spells of a kind do not overlap.
		for i := 1; i < len(out); i++ {
			out[i].from = max(out[i].from, out[i-1].to)
			out[i].to = max(out[i].to, out[i].from)
		}
		return out
	}
	n.gusts = draw(gustsPerHour, time.Minute, 20*time.Minute)
	for i := range n.gusts {
		g := &n.gusts[i]
		g.lean = gustLeanMin + (gustLeanMax-gustLeanMin)*rng.Float64()
		g.hz = 4 + 5*rng.Float64()
		g.way = drawVec(gustShakeMax*rng.Float64()/math.Sqrt(3), rng)
	}
	n.walks = draw(walksPerHour, 8*time.Second, 40*time.Second)
	for i := range n.walks {
		w := &n.walks[i]
		w.lean = walkLeanMax * rng.Float64()
		w.way = drawVec(stepShakeMax*rng.Float64()/math.Sqrt(3), rng)
		w.hz = 12 + 12*rng.Float64()
	}
	n.hums = draw(humsPerHour, time.Minute, 15*time.Minute)
	for i := range n.hums {
		h := &n.hums[i]
		h.way = drawVec(humShakeMax*rng.Float64()/math.Sqrt(3), rng)
		h.hz = []float64{24.3, 48.9, 97.8}[rng.IntN(3)] * (0.99 + 0.02*rng.Float64())
	}
	n.fields = draw(fieldsPerHour, 5*time.Second, 3*time.Minute)
	for i := range n.fields {
		n.fields[i].way = drawVec(3*rng.Float64(), rng)
	}
}
