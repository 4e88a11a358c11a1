package gnss

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// errorModel is the truth of a simulated receiver, per axis.
type errorModel struct {
	sigma, slowShare, slowS, fastS float64
	slow, fast                     [3]float64
	rng                            *rand.Rand
}

func newErrorModel(rng *rand.Rand, sigma, slowShare, slowS, fastS float64) *errorModel {
	m := &errorModel{sigma: sigma, slowShare: slowShare, slowS: slowS, fastS: fastS, rng: rng}
	for i := range m.slow {
		m.slow[i] = math.Sqrt(slowShare) * sigma * rng.NormFloat64()
		m.fast[i] = math.Sqrt(1-slowShare) * sigma * rng.NormFloat64()
	}
	return m
}

func (m *errorModel) step(dt float64) (e [3]float64) {
	a, b := math.Exp(-dt/m.slowS), math.Exp(-dt/m.fastS)
	for i := range e {
		m.slow[i] = a*m.slow[i] + math.Sqrt((1-a*a)*m.slowShare)*m.sigma*m.rng.NormFloat64()
		m.fast[i] = b*m.fast[i] + math.Sqrt((1-b*b)*(1-m.slowShare))*m.sigma*m.rng.NormFloat64()
		e[i] = m.slow[i] + m.fast[i]
	}
	return e
}

func fixAt(at time.Duration, lat, lon float64, e [3]float64, stated float64) *Fix {
	f := newFix()
	f.At, f.Mode = at, Fix3D
	f.LatDeg = lat + e[1]/metresPerEq
	f.LonDeg = math.Remainder(lon+e[0]/(metresPerEq*math.Cos(lat*math.Pi/180)), 360)
	f.HeightM = 100 + 1.5*e[2]
	f.NorthSigmaM, f.EastSigmaM, f.HeightSigmaM, f.SigmaFrom = stated, stated, 1.5*stated, FromDilution
	return &f
}

// covered runs seeds of a standing receiver and returns how often each of the
// three axes lies within 1.96 stated sigmas after the given time, and the mean
// stated sigma to the north.
func covered(t *testing.T, lat, lon float64, runs int, after time.Duration, make func(rng *rand.Rand) (*errorModel, float64)) (share, meanSigma float64) {
	t.Helper()
	inside, all := 0, 0
	for seed := range uint64(runs) {
		rng := rand.New(rand.NewPCG(seed, 77))
		truth, stated := make(rng)
		var m Mean
		for at := time.Duration(0); at <= after; at += 5 * time.Second {
			if m.Add(fixAt(at, lat, lon, truth.step(5), stated)) {
				t.Errorf("seed %d: moved", seed)
			}
		}
		p, _ := m.Position()
		north := (p.LatDeg - lat) * metresPerEq
		east := math.Remainder(p.LonDeg-lon, 360) * metresPerEq * math.Cos(lat*math.Pi/180)
		for _, r := range []float64{north / p.NorthSigmaM, east / p.EastSigmaM, (p.HeightM - 100) / p.HeightSigmaM} {
			all++
			if math.Abs(r) < 1.96 {
				inside++
			}
		}
		meanSigma += p.NorthSigmaM / float64(runs)
	}
	return float64(inside) / float64(all), meanSigma
}

func TestMeanCoversTheTruth(t *testing.T) {
	asModelled := func(rng *rand.Rand) (*errorModel, float64) { return newErrorModel(rng, 4, slowShare, slowS, fastS), 4 }
	// Receivers of other habits than the model's, and one that states half its
	// error.
	unlike := func(rng *rand.Rand) (*errorModel, float64) {
		return newErrorModel(rng, 4, 0.5+0.4*rng.Float64(), 1200+6000*rng.Float64(), 20+100*rng.Float64()), 4
	}
	boaster := func(rng *rand.Rand) (*errorModel, float64) { return newErrorModel(rng, 8, slowShare, slowS, fastS), 4 }
	for _, c := range []struct {
		name     string
		make     func(*rand.Rand) (*errorModel, float64)
		after    time.Duration
		lo, hi   float64
		sigmaMax float64 // of the mean, metres: averaging is worth something, but not much
		sigmaMin float64
	}{
		{"one fix", asModelled, 0, 0.93, 0.97, 4.2, 3.8},
		{"10 min", asModelled, 10 * time.Minute, 0.93, 0.97, 3.9, 3},
		{"3 h", asModelled, 3 * time.Hour, 0.93, 0.97, 3, 2},
		{"other habits, 10 min", unlike, 10 * time.Minute, 0.90, 0.98, 3.9, 3},
		{"other habits, 3 h", unlike, 3 * time.Hour, 0.88, 0.99, 3, 2},
		{"half stated, 30 min", boaster, 30 * time.Minute, 0.90, 0.97, 8, 5},
	} {
		runs := 300
		if c.after > time.Hour {
			runs = 100
		}
		if testing.Short() {
			runs /= 10
		}
		share, sigma := covered(t, 51.9, 8.4, runs, c.after, c.make)
		t.Logf("%s: %.3f within 1.96 sigma, sigma %.2f m", c.name, share, sigma)
		// The three axes of a run are independent: 900 or 300 draws have a standard
		// deviation of 0.007 or 0.013, when they are not shortened.
		slack := 2.5 * math.Sqrt(0.95*0.05/float64(3*runs))
		if share < c.lo-slack || share > c.hi+slack {
			t.Errorf("%s: %.3f within 1.96 sigma, want %.2f to %.2f", c.name, share, c.lo, c.hi)
		}
		if sigma < c.sigmaMin || sigma > c.sigmaMax {
			t.Errorf("%s: sigma %.2f m, want %.1f to %.1f", c.name, sigma, c.sigmaMin, c.sigmaMax)
		}
	}
}

// The naive sigma (scatter over root of the number) would be wrong by far: this
// is what the model is for.
func TestNaiveMeanWouldLie(t *testing.T) {
	const runs = 200
	inside := 0
	for seed := range uint64(runs) {
		rng := rand.New(rand.NewPCG(seed, 5))
		truth := newErrorModel(rng, 4, slowShare, slowS, fastS)
		sum, squares, n := 0.0, 0.0, 0.0
		for range 120 {
			e := truth.step(5)[0]
			sum, squares, n = sum+e, squares+e*e, n+1
		}
		mean := sum / n
		if math.Abs(mean) < 1.96*math.Sqrt((squares/n-mean*mean)/n) {
			inside++
		}
	}
	if share := float64(inside) / runs; share > 0.3 {
		t.Errorf("the simulated errors are hardly correlated: the naive mean covers %.2f", share)
	}
}

func TestMeanAtNastyPlaces(t *testing.T) {
	for _, place := range [][2]float64{{0, 0}, {0, 180}, {-31.6, -179.99999}, {89.9, 10}, {-89.99, -170}, {66.5, 179.99999}} {
		share, _ := covered(t, place[0], place[1], 60, 5*time.Minute, func(rng *rand.Rand) (*errorModel, float64) {
			return newErrorModel(rng, 4, slowShare, slowS, fastS), 4
		})
		if share < 0.88 {
			t.Errorf("%v: %.3f", place, share)
		}
	}
}

func TestMeanStartsAnewWhenCarried(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	truth := newErrorModel(rng, 4, slowShare, slowS, fastS)
	var m Mean
	at := time.Duration(0)
	add := func(lat float64) bool {
		at += 5 * time.Second
		return m.Add(fixAt(at, lat, 8.4, truth.step(5), 4))
	}
	for range 120 {
		add(51.9)
	}
	// One wild fix is left out.
	if add(52.9) {
		t.Error("a wild fix moved it")
	}
	if p, _ := m.Position(); math.Abs(p.LatDeg-51.9)*metresPerEq > 15 || p.Fixes != 120 {
		t.Errorf("%+v", p)
	}
	for range 10 {
		add(51.9)
	}
	moved := 0
	for range 10 {
		if add(51.95) {
			moved++
		}
	}
	p, _ := m.Position()
	if moved != 1 || math.Abs(p.LatDeg-51.95)*metresPerEq > 15 || p.Fixes > 10 {
		t.Errorf("moved %d times: %+v", moved, p)
	}
	// While it drives, nothing is averaged.
	for range 20 {
		at += 5 * time.Second
		f := fixAt(at, 51.95, 8.4, truth.step(5), 4)
		f.SpeedMS = 10
		m.Add(f)
	}
	if p, _ = m.Position(); p.Fixes > farInRow {
		t.Errorf("%d fixes were averaged while driving", p.Fixes)
	}
}

func TestMeanWithout3D(t *testing.T) {
	var m Mean
	if _, ok := m.Position(); ok {
		t.Error("a position of nothing")
	}
	f := fixAt(0, 51.9, 8.4, [3]float64{}, 4)
	f.Mode, f.HeightM, f.HeightSigmaM = Fix2D, math.NaN(), math.NaN()
	m.Add(f)
	p, ok := m.Position()
	if !ok || !math.IsNaN(p.HeightM) || !math.IsNaN(p.HeightSigmaM) || !near(p.HorizontalSigmaM(), 4*math.Sqrt2, 0.2) {
		t.Errorf("%+v", p)
	}
	m.Add(&Fix{At: time.Minute, Mode: NoFix, LatDeg: math.NaN()})
	m.Add(fixAt(2*time.Second, 51.9, 8.4, [3]float64{}, 4)) // too soon after the first
	if p, _ = m.Position(); p.Fixes != 1 {
		t.Errorf("%d fixes", p.Fixes)
	}
	m.Add(fixAt(time.Minute, 51.9, 8.4, [3]float64{}, 4))
	if p, _ = m.Position(); !near(p.HeightM, 100, 0.1) || !near(p.HeightSigmaM, 6, 0.2) {
		t.Errorf("%+v", p)
	}
}
