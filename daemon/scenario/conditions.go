package scenario

import (
	"math"
	"math/rand/v2"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro/geomag"
)

// LocalFieldUT is the field, per axis and 1 sigma, that no calibration knows of:
// what makes a heading of 2° in a horizontal field of 20 µT, the routine figure
// of calibrated compasses, of which 1° is left right after a good calibration
// (Tomasch and Winer, 2018). So 1° is taken for what stands around, constant in
// the local frame, and the other √(2² - 1²)° for iron that turns with the tracker
// and has changed since the calibration (a battery, a motor, a screw).
const (
	LocalFieldUT = 0.7
	outsideUT    = LocalFieldUT / 2
	ironUT       = LocalFieldUT * 0.8660254 // √3/2
)

// Conditions are what an evening deals out besides the chips. All draws are
// normal with the 1 sigma named here unless they say otherwise.
type Conditions struct {
	// Crooked is how the board sits on the tracker, rad about each axis:
	// MountSigmaDeg.
	Crooked r3.Vec
	// Bare is the Earth's field, ENU, µT, with what the model misses; Bench and
	// Outside are what buildings and steel add on the bench (LocalFieldUT per
	// axis) and at the tripod, also ENU. Iron turns with the tracker, body axes.
	Bare, Bench, Outside, Iron r3.Vec
	// BenchC is the room's temperature, 21 ± 2 °C; NightC that of the air when
	// the tripod is set up, evenly from -10 to 15 °C.
	BenchC, NightC float64
	// Outdoors is how long the board has been in the cold by then, evenly from 3
	// to 25 minutes.
	Outdoors time.Duration
	// AltErrorDeg (4°) and AzErrorDeg (20°) are how the tripod is first put down;
	// LeanDeg, in the direction LeanAzDeg, how far its base is from level (1° in
	// each of two directions); BacklashDeg, of the adjusters, evenly from 0.02 to
	// 0.3° (common practice, no source).
	AltErrorDeg, AzErrorDeg, LeanDeg, LeanAzDeg, BacklashDeg float64
}

// boardCools is the time constant of a board in a small box that is carried
// into the cold (common practice, no source).
const boardCools = 8 * time.Minute

func drawConditions(f geomag.Field, rng *rand.Rand) Conditions {
	c := Conditions{
		Crooked: drawVec(MountSigmaDeg*degree, rng),
		Bare:    drawField(f, 1, rng),
		Bench:   drawVec(LocalFieldUT, rng),
		Outside: drawVec(outsideUT, rng),
		Iron:    drawVec(ironUT, rng),
		BenchC:  benchTempC + 2*rng.NormFloat64(),
		NightC:  -10 + 25*rng.Float64(),

		Outdoors:    time.Duration((3 + 22*rng.Float64()) * float64(time.Minute)),
		AltErrorDeg: startHighDeg * rng.NormFloat64(), AzErrorDeg: startAsideDg * rng.NormFloat64(),
		BacklashDeg: 0.02 + 0.28*rng.Float64(),
	}
	c.Outdoors = c.Outdoors.Round(10 * time.Millisecond)
	lean := drawVec(1, rng)
	c.LeanDeg, c.LeanAzDeg = math.Hypot(lean.X, lean.Y), math.Atan2(lean.Y, lean.X)/degree
	return c
}

// boardC is the board's temperature so long after it was carried out.
func (c *Conditions) boardC(out time.Duration) float64 {
	left := math.Exp(-out.Seconds() / boardCools.Seconds())
	air := c.NightC - coolingC*(out-c.Outdoors).Hours()
	return air + (c.BenchC-air)*left
}

// visit is somebody with a phone, a spanner or a power lead close to the board
// for a while: a field of this strength (µT) from a random direction. An
// evening in three has one (common practice, no source).
type visit struct {
	from, to time.Duration
	field    r3.Vec
}

const (
	visitChance = 1.0 / 3
	visitRamp   = 500 * time.Millisecond
)

func drawVisit(begin time.Duration, rng *rand.Rand) *visit {
	if rng.Float64() >= visitChance {
		return nil
	}
	v := visit{from: begin + time.Duration(rng.Float64()*90*float64(time.Second))}
	v.to = v.from + time.Duration((5+20*rng.Float64())*float64(time.Second))
	// Evenly in the logarithm from 1 to 15 µT.
	v.field = r3.Scale(math.Exp(math.Log(15)*rng.Float64()), r3.Unit(drawVec(1, rng)))
	return &v
}

// at is the visitor's field at t, coming and going within visitRamp.
func (v *visit) at(t time.Duration) r3.Vec {
	d := min(t-v.from, v.to-t)
	if d <= 0 {
		return r3.Vec{}
	}
	return r3.Scale(min(1, d.Seconds()/visitRamp.Seconds()), v.field)
}

// leave ends a visit at now at the latest.
func (v *visit) leave(now time.Duration) { v.to = min(v.to, now+visitRamp) }
