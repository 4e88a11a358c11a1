// Package scenario simulates nights: an invented site, a board with simulated
// chips, a tripod with adjusters and a person who turns them. It serves tests,
// `demo` and `simulate`; the daemon itself knows nothing of it.
package scenario

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/geomag"
	"plumbstar/sensors/sim"
)

// Circumstances of a night, 1 sigma where drawn.
const (
	// MountSigmaDeg is how crookedly the board sits on the tracker.
	MountSigmaDeg = 0.2
	// steelUT is the field of steel nearby, per axis: an open field.
	steelUT = 0.4

	benchTempC = 21.0
	nightTempC = 9.0
	coolingC   = 1.5 // per hour

	startHighDeg = 4.0  // first altitude error
	startAsideDg = 20.0 // first azimuth error
	leanDeg      = 0.8  // of the base
	backlashDeg  = 0.08
	tremorMS2    = 0.03
)

// Night is one simulated evening: the board first lies on the bench (see
// RunBench), then SetUp puts it onto a tripod under the night sky.
type Night struct {
	Place Place
	Board Board
	Seed  uint64
	Clock *Clock
	Bus   *sim.Bus
	World *World
	Mount *Mount
	Hands *Hands

	parts parts
	path  *Path
	rng   *rand.Rand
	bare  r3.Vec // the field without steel, ENU
	steel float64
}

// Ordinary is a spread for demonstrations: every circumstance that is drawn
// (chips, mounting, steel, the field) deviates half as far as the figures that
// the error budget is made of. With spread 1 the draws are those figures: that
// is where stated uncertainties can be tested.
const Ordinary = 0.5

// NewNight makes a night with the default board; everything about it follows
// from the seed. All drawn errors of chips and surroundings are multiplied by
// spread.
func NewNight(p Place, seed uint64, spread float64) (*Night, error) {
	f, err := fieldAt(p)
	if err != nil {
		return nil, err
	}
	board, err := BoardNamed(DefaultBoard)
	if err != nil {
		return nil, err
	}
	rng := rand.New(rand.NewPCG(seed, 0x706c756d62))
	steel := spread * steelUT
	crooked := drawVec(spread*MountSigmaDeg*degree, rng)
	n, err := newNight(p, board, seed, spread, rng, crooked, drawField(f, spread, rng))
	if err == nil {
		n.steel = steel
	}
	return n, err
}

// fieldAt is what the model expects at a place.
func fieldAt(p Place) (geomag.Field, error) {
	f, err := geomag.WMM2025().At(p.Site.LatDeg, p.Site.LonDeg, p.Site.HeightM/1000, astro.DecimalYear(p.Begin))
	if err != nil {
		return f, fmt.Errorf("site %s: %w", p.Key, err)
	}
	return f, nil
}

// newNight puts a board with parts off the reel into a field.
func newNight(p Place, b Board, seed uint64, spread float64, rng *rand.Rand, crooked, field r3.Vec) (*Night, error) {
	n := &Night{Place: p, Board: b, Seed: seed, Clock: NewClock(), rng: rng, bare: field}
	n.path = NewPath(quat.Number{Real: 1})
	n.World = &World{
		path: n.path, board: small(crooked), fieldUT: field,
		temp:   func(time.Duration) float64 { return benchTempC },
		tremor: r3.Vec{X: tremorMS2, Y: tremorMS2, Z: tremorMS2},
	}
	n.Bus = sim.NewBus("simulated I2C", n.Clock, sim.Adapter{})
	n.parts = b.draw(seed, spread)
	return n, b.attach(n.Bus, n.World, n.parts)
}

// milder multiplies what sets a part apart from a perfect one; noise stays.
func milder(s sim.Settings, spread float64) sim.Settings {
	for _, t := range []*sim.Triad{&s.Accel, &s.Gyro, &s.Mag} {
		for _, v := range []*r3.Vec{&t.Offset, &t.OffsetPerC, &t.ScalePerC, &t.WarmUp} {
			*v = r3.Scale(spread, *v)
		}
		if t.Matrix == nil {
			continue
		}
		m := r3.Eye()
		for i := range 3 {
			for j := range 3 {
				m.Set(i, j, m.At(i, j)+spread*(t.Matrix.At(i, j)-m.At(i, j)))
			}
		}
		t.Matrix = m
	}
	return s
}

// SetUp carries the board outdoors: onto the tripod, pointing some way off the
// pole, with steel nearby and in the cooling air.
func (n *Night) SetUp() {
	alt, az := n.aim()
	alt += startHighDeg * n.rng.NormFloat64()
	az += startAsideDg * n.rng.NormFloat64()
	n.Mount = newMount(n.path, alt, az, leanDeg*n.rng.Float64(), 360*n.rng.Float64(), backlashDeg)
	n.Hands = newHands(n.Mount, n.rng, careful())
	n.World.SetField(r3.Add(n.bare, drawVec(n.steel, n.rng)))
	begin := n.Clock.Now()
	n.World.setTemp(func(t time.Duration) float64 {
		return nightTempC - coolingC*(t-begin).Hours()
	})
}

func (n *Night) aim() (altDeg, azDeg float64) {
	if n.Place.Site.Hemisphere() == astro.South {
		return -n.Place.Site.LatDeg, 180
	}
	return n.Place.Site.LatDeg, 0
}

// UTC is the simulated date.
func (n *Night) UTC(now time.Duration) time.Time { return n.Place.Begin.Add(now) }

// Truth is where the axis really points now.
func (n *Night) Truth() (altDeg, azDeg float64) { return n.TruthAt(n.Clock.Now()) }

// TruthAt is Truth a little earlier.
func (n *Night) TruthAt(t time.Duration) (altDeg, azDeg float64) {
	q, _ := n.path.At(t)
	return Direction(q)
}

// Rng is the night's own source of chance.
func (n *Night) Rng() *rand.Rand { return n.rng }

// small is the rotation of a small rotation vector, rad.
func small(v r3.Vec) quat.Number {
	a := r3.Norm(v)
	if a == 0 {
		return quat.Number{Real: 1}
	}
	return rotation(r3.Scale(1/a, v), a)
}

// ErrorDeg is the angle on the night sky between two directions, degrees.
func ErrorDeg(alt1, az1, alt2, az2 float64) float64 {
	a := astro.Direction{AltDeg: alt1, AzDeg: az1}
	b := astro.Direction{AltDeg: alt2, AzDeg: az2}
	return math.Abs(astro.Separation(a, b))
}
