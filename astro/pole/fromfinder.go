package pole

import (
	"fmt"
	"math"

	"plumbstar/astro"
)

// DefaultFinderSigmaDeg is how well a person is taken to state where a star is
// seen in a finder, per coordinate: 0.05°, a twelfth of the way of the pole star
// to the pole. Common practice, no source.
const DefaultFinderSigmaDeg = 0.05

// finestSigmaDeg is the smallest uncertainty that a reading may claim: 0.04 arcsec.
const finestSigmaDeg = 1e-5

// FinderReading is "this star is seen here".
type FinderReading struct {
	Star astro.Seen // where it stands at the moment of the reading
	// Degrees of sky right and up of the finder's centre, as the eye sees it there.
	XDeg, YDeg float64
	SigmaDeg   float64 // of each, 1 sigma; 0: DefaultFinderSigmaDeg
	Label      string  // to name it by; empty: the star's name
}

// FromFinder finds the axis from stars seen in a finder that looks along it.
// One star is enough, more are weighted together; whether the finder really looks
// along the axis is not tested by them. Valid up to the finder's field.
func FromFinder(aim astro.Direction, finder Finder, readings []FinderReading) (Fix, error) {
	if err := finder.Validate(); err != nil {
		return Fix{}, err
	}
	if len(readings) == 0 {
		return Fix{}, &Degenerate{"no star was seen", "bring the pole star into the finder and say where it is"}
	}
	base := tangent(aim)
	f := fit{start: make([]float64, 2)}
	labels := make([]string, len(readings))
	for i, r := range readings {
		sigma := r.SigmaDeg
		if sigma == 0 {
			sigma = DefaultFinderSigmaDeg
		}
		labels[i] = r.Label
		if r.Label == "" {
			labels[i] = r.Star.Name
		}
		if !(sigma >= finestSigmaDeg && sigma <= 10) {
			return Fix{}, fmt.Errorf("reading %d (%s): sigma %v°: give %v to 10, or 0 for the default", i+1, labels[i], r.SigmaDeg, finestSigmaDeg)
		}
		if !(math.Hypot(r.XDeg, r.YDeg) <= finder.FieldDeg/2*1.05) {
			return Fix{}, fmt.Errorf("reading %d (%s): %v° right, %v° up is outside the finder's field of %v°", i+1, labels[i], r.XDeg, r.YDeg, finder.FieldDeg)
		}
		star := r.Star.Vec()
		seenX, seenY := finder.toSky(r.XDeg, r.YDeg)
		f.groups = append(f.groups, group{size: 2, residual: func(p, out []float64) {
			x, y := tangent(astro.DirectionOf(base.at(p[1], p[0]))).of(star)
			out[0], out[1] = (seenX-x)/(sigma*radPerDeg), (seenY-y)/(sigma*radPerDeg)
		}})
		f.used = append(f.used, true)
		if i == 0 { // the axis is about as far from the star as the star is seen from the centre
			x, y := base.of(star)
			f.start[0], f.start[1] = y-seenY, x-seenX
		}
	}
	return f.run(base, aim, labels, func(_ [2]float64, sigma float64) *Degenerate {
		return &Degenerate{fmt.Sprintf("the stars fix the axis only to %.1f°", sigma/radPerDeg), "read the place of a star more finely, or of more stars"}
	})
}
