package calib

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// randAffine has a random symmetric positive covariance.
func randAffine(rng *rand.Rand, kind Kind) Affine {
	a := Affine{
		Kind: kind, Offset: randVec(rng, 1), Matrix: randMat(rng, 0.05), RefTempC: 20,
		TempSlope: randVec(rng, 0.01), TempSlopeSigma: r3.Vec{X: 0.002, Y: 0.003, Z: 0.001}, ResidualRMS: 0.01, Readings: 12,
	}
	var f [12][12]float64
	for i := range f {
		for j := range f {
			f[i][j] = 0.01 * rng.NormFloat64()
		}
	}
	for i := range f {
		for j := range f {
			for k := range f {
				a.Cov[i][j] += f[i][k] * f[j][k]
			}
		}
	}
	return a
}

// ErrorCov against the scatter of corrected readings when the coefficients are
// drawn from the covariance.
func TestErrorCovAgainstDraws(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	a := randAffine(rng, Accelerometer)
	v := r3.Vec{X: 3, Y: -5, Z: 8}
	const temp = 27
	sym := mat.NewSymDense(12, nil)
	for i := range 12 {
		for j := i; j < 12; j++ {
			sym.SetSym(i, j, a.Cov[i][j])
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(sym) {
		t.Fatal("covariance not positive")
	}
	var l mat.TriDense
	ch.LTo(&l)
	inv := a.Matrix.inverse()
	raw := r3.Add(inv.Apply(v), r3.Add(a.Offset, r3.Scale(temp-a.RefTempC, a.TempSlope)))
	if d := r3.Norm(r3.Sub(a.Apply(raw, temp), v)); d > 1e-12 {
		t.Fatalf("Apply does not undo the reading: %g", d)
	}
	want := a.ErrorCov(v, temp)
	var got Mat3
	const draws = 40000
	for range draws {
		z := mat.NewVecDense(12, nil)
		for i := range 12 {
			z.SetVec(i, rng.NormFloat64())
		}
		var d mat.VecDense
		d.MulVec(&l, z)
		b := a
		// Small, so that the first order holds.
		const small = 0.01
		b.Offset = r3.Add(b.Offset, r3.Scale(small, r3.Vec{X: d.AtVec(0), Y: d.AtVec(1), Z: d.AtVec(2)}))
		for i := range 9 {
			b.Matrix[i] += small * d.AtVec(3+i)
		}
		b.TempSlope = r3.Add(b.TempSlope, r3.Scale(small, r3.Vec{X: 0.002 * rng.NormFloat64(), Y: 0.003 * rng.NormFloat64(), Z: 0.001 * rng.NormFloat64()}))
		e := r3.Scale(1/small, r3.Sub(b.Apply(raw, temp), v))
		ee := [3]float64{e.X, e.Y, e.Z}
		for i := range 3 {
			for j := range 3 {
				got[3*i+j] += ee[i] * ee[j] / draws
			}
		}
	}
	for i := range got {
		if math.Abs(got[i]-want[i]) > 0.03*math.Sqrt(want[0]+want[4]+want[8])*math.Sqrt(want[0]+want[4]+want[8]) {
			t.Errorf("entry %d: %.4g from draws, %.4g stated", i, got[i], want[i])
		}
	}
	if s := a.Sigma(v, temp); math.Abs(s.X-math.Sqrt(want[0])) > 1e-12 {
		t.Error("Sigma is not the root of ErrorCov")
	}
}

func TestTiltAndHeadingSigma(t *testing.T) {
	a := Uncalibrated(Accelerometer, 0.1, 0)
	if got, want := a.TiltSigma(r3.Vec{Z: standardGravity}, math.NaN()), 0.1/standardGravity; math.Abs(got-want) > 1e-12 {
		t.Errorf("tilt sigma %g, want %g", got, want)
	}
	// 1 µT of offset doubt in a horizontal field of 20 µT: 0.05 rad; the vertical
	// part does not matter.
	m := Uncalibrated(Magnetometer, 1, 0)
	if got := m.HeadingSigma(r3.Vec{X: 20, Z: -45}, r3.Vec{Z: 1}, math.NaN()); math.Abs(got-0.05) > 1e-12 {
		t.Errorf("heading sigma %g, want 0.05", got)
	}
	if got := m.HeadingSigma(r3.Vec{Z: -45}, r3.Vec{Z: 1}, math.NaN()); !math.IsInf(got, 1) {
		t.Errorf("heading sigma at the magnetic pole %g", got)
	}
	// The tilt's share enters by the tangent of the dip: 0.1°
	// of tilt is 0.25° of heading at dip 68°.
	none := Uncalibrated(Magnetometer, 0, 0)
	acc := Uncalibrated(Accelerometer, standardGravity*rad(0.1), 0)
	if got := deg(HeadingSigmaLevel(&none, &acc, 50, rad(68), r3.Vec{Z: 1})); math.Abs(got-0.2475) > 0.001 {
		t.Errorf("heading sigma from tilt %.4f°", got)
	}
	u := UncalibratedAccel(sensors.InertialSpec{AccelOffset: 0.1, AccelCross: 0.01, AccelDriftPerC: 0.01}, 25)
	if cold, warm := u.TiltSigma(r3.Vec{Z: 9.8}, 5), u.TiltSigma(r3.Vec{Z: 9.8}, 25); cold < 1.5*warm {
		t.Errorf("tilt sigma %.4f at 5 °C, %.4f at 25 °C", cold, warm)
	}
}

func TestAffineJSON(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for _, kind := range []Kind{Accelerometer, Magnetometer} {
		for _, ref := range []float64{21.5, math.NaN()} {
			a := randAffine(rng, kind)
			a.RefTempC = ref
			b, err := json.Marshal(a)
			if err != nil {
				t.Fatal(err)
			}
			var back Affine
			if err := json.Unmarshal(b, &back); err != nil {
				t.Fatal(err)
			}
			if math.IsNaN(ref) != math.IsNaN(back.RefTempC) {
				t.Errorf("reference %v became %v", ref, back.RefTempC)
			}
			a.RefTempC, back.RefTempC = 0, 0
			if a != back {
				t.Errorf("%s: %+v became %+v", kind, a, back)
			}
			unit := map[Kind]string{Accelerometer: `"offset_m_s2"`, Magnetometer: `"offset_uT"`}[kind]
			if !strings.Contains(string(b), unit) {
				t.Errorf("no %s in %s", unit, b)
			}
		}
	}
}

func TestAffineJSONRefusesDamage(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	good := randAffine(rng, Magnetometer)
	for name, damage := range map[string]func(*Affine){
		"kind":                 func(a *Affine) { a.Kind = "thermometer" },
		"mirror":               func(a *Affine) { a.Matrix[0] = -a.Matrix[0] },
		"flat":                 func(a *Affine) { a.Matrix = Mat3{1, 0, 0, 0, 1, 0, 0, 0, 0.01} },
		"not symmetric":        func(a *Affine) { a.Cov[0][1] += 1 },
		"negative variance":    func(a *Affine) { a.Cov[2][2] = -1 },
		"negative direction":   func(a *Affine) { a.Cov[0][1] = 10 * a.Cov[0][0]; a.Cov[1][0] = a.Cov[0][1] },
		"not finite":           func(a *Affine) { a.Offset.Y = math.Inf(1) },
		"negative slope sigma": func(a *Affine) { a.TempSlopeSigma.Z = -1 },
	} {
		a := good
		damage(&a)
		if err := a.Check(); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	for _, text := range []string{`{}`, `{"kind":"magnetometer"}`, `[]`, `{"kind":"magnetometer","offset_m_s2":[0,0,0]}`} {
		var a Affine
		if err := json.Unmarshal([]byte(text), &a); err == nil {
			t.Errorf("%s: accepted", text)
		}
	}
}

func FuzzAffineJSON(f *testing.F) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, kind := range []Kind{Accelerometer, Magnetometer} {
		b, err := json.Marshal(randAffine(rng, kind))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte(`{"kind":"magnetometer","offset_uT":[1e308,-1e308,0],"matrix":[[1e308,0,0],[0,1,0],[0,0,1]]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var a Affine
		if json.Unmarshal(b, &a) != nil {
			return
		}
		if err := a.Check(); err != nil {
			t.Fatalf("loaded, but %v", err)
		}
		if _, err := json.Marshal(a); err != nil {
			t.Fatal(err)
		}
	})
}

func TestApplyDoesNotAllocate(t *testing.T) {
	a := Uncalibrated(Magnetometer, 1, 0.01)
	v := r3.Vec{X: 1}
	if n := testing.AllocsPerRun(100, func() { v = a.Apply(v, 20); _ = a.ErrorCov(v, 20) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
