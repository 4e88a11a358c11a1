package stability

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// TestGather: what does not count stays out, and what is apart gets a stretch of
// its own.
func TestGather(t *testing.T) {
	g := Gather{WarmUpS: 600, Watched: []Span{{300, 9000}}, Moves: []Span{{3000, 3100}}}
	none := r3.Vec{X: math.NaN(), Y: math.NaN(), Z: math.NaN()}
	for s := 0.0; s < 12000; s++ {
		if s > 5000 && s < 5050 || s > 6000 && s < 6700 { // silences, the longer one cold
			continue
		}
		temp := 10.0
		if s == 700 {
			temp = math.NaN()
		}
		g.Take(s, temp, r3.Vec{X: 6, Z: 8}, none)
	}
	g.Take(20000, 10, none, none)
	g.Close()
	r := &g.Night.Rest
	if first, last := r.TS[0], r.TS[len(r.TS)-1]; first != 630 || last > 9000 {
		t.Errorf("from %g to %g s", first, last)
	}
	if got := slices.Compact(slices.Clone(r.Stretch)); !slices.Equal(got, []int{0, 1, 2, 3}) {
		t.Errorf("stretches %v", got)
	}
	for i, ts := range r.TS {
		if ts > 3000 && ts < 3060 || ts > 6000 && ts < 7300-30 {
			t.Errorf("block at %g s counts (stretch %d)", ts, r.Stretch[i])
		}
	}
	if e := g.Night.Elevation(0)[0]; math.Abs(e-36.87) > 0.01 || !math.IsNaN(g.Night.Gyro[0][0]) {
		t.Errorf("elevation %g, gyroscope %v", e, g.Night.Gyro[0][0])
	}
}
