package calib

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// checkGradient compares the gradient that build gathers with differences of its
// cost.
func checkGradient(t *testing.T, p, step []float64, tolerance float64, build func([]float64, *normal)) {
	t.Helper()
	q := newNormal(len(p))
	build(p, q)
	for i := range p {
		shifted := append([]float64(nil), p...)
		var c [2]float64
		for k, s := range []float64{step[i], -step[i]} {
			shifted[i] = p[i] + s
			d := newNormal(len(p))
			build(shifted, d)
			c[k] = d.cost
		}
		want := (c[0] - c[1]) / (4 * step[i]) // cost is Σ w r², g is Σ w r j
		if math.Abs(q.g[i]-want) > tolerance*(math.Abs(want)+math.Abs(q.cost)*1e-3) {
			t.Errorf("parameter %d: gradient %g, differences of the cost give %g", i, q.g[i], want)
		}
	}
}

func TestMagProblemDerivatives(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 29))
	b := defaultBoard(rng)
	in, mg := b.record(rng)
	o := MagOptions{StrengthUT: b.strength}.withDefaults()
	raws := rawFields(mg)[:300]
	p := make([]float64, pCount)
	copy(p[pMatrix:], b.magM[:])
	p[0], p[1], p[2] = b.magO.X+1, b.magO.Y-2, b.magO.Z
	p[pField], p[pDown], p[pLag] = b.strength+2, b.strength*0.8, 0.01
	for i := pBias; i < pCount; i++ {
		p[i] = 0.01 * rng.NormFloat64()
	}
	a := shapeProblem(raws, p, 1)
	a.usePairs(mg, in, &o)
	a.ups, a.turns = a.ups[:50], a.turns[:50]
	a.skewSigma = 0.05
	a.prior = mat.NewSymDense(pCount, nil)
	a.know(pField, b.strength, 1)
	step := make([]float64, pCount)
	for i := range step {
		step[i] = 1e-5
	}
	for name, build := range map[string]func([]float64, *normal){"strength": a.buildStrength, "dip": a.buildDip, "turns": a.buildTurns, "prior": a.buildPrior} {
		tolerance := 1e-4
		if name == "turns" {
			// Bias and matrix enter as one small further turn; their derivatives
			// leave out its square.
			tolerance = 0.03
		}
		t.Run(name, func(t *testing.T) { checkGradient(t, p, step, tolerance, build) })
	}
}

func TestAccelProblemDerivatives(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 29))
	poses := simPoses(rng, spiral(12), randVec(rng, 0.3), randSym(rng, 0.02), 1e-6)
	for i := range poses {
		poses[i].TempC = 10 + float64(i)
		// The bias term is of second order and has no derivative in the model.
		poses[i].AccelCov = Mat3{}
	}
	a := &accelProblem{poses: poses, opt: AccelOptions{Floor: 0.01, SlopeSigma: 0.01, OffsetSigma: 0.5, MatrixSigma: 0.02}, g: standardGravity}
	a.temperature()
	a.shareFloor()
	a.weight, a.resid = make([]float64, 12), make([]float64, 12)
	for i := range a.weight {
		a.weight[i] = 1
	}
	p, step := make([]float64, a.size()), make([]float64, a.size())
	for i := range p {
		p[i], step[i] = 0.02*rng.NormFloat64(), 1e-5
	}
	checkGradient(t, p, step, 1e-4, a.build)
}

// Every function takes samples that are not finite without a word of NaN.
func TestNotFinite(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 29))
	b := defaultBoard(rng)
	in, mg := b.record(rng)
	for i := 0; i < len(in); i += 97 {
		in[i].Accel.X = math.NaN()
		in[i+1].Gyro.Z = math.Inf(1)
		mg[i].FieldUT.Y = math.NaN()
	}
	res, err := FromRecording(in, mg, RecordingOptions{Spec: mpu6050})
	if err != nil || res.MagErr != nil {
		t.Fatal(err, res.MagErr)
	}
	if err := res.Accel.Check(); err != nil {
		t.Error(err)
	}
	if err := res.Mag.Affine.Check(); err != nil {
		t.Error(err)
	}
	if d := r3.Norm(r3.Sub(res.Mag.Affine.Offset, b.magO)); !(d < 1) {
		t.Errorf("offset off by %g µT", d)
	}
	h := head{axis: r3.Vec{X: 1}, altitude: rad(52), arc: rad(120), accelM: identity, gyroM: identity, accelNoise: 0.03, gyroSD: 0.003}
	samples := h.turn(rng)
	samples[200].Gyro.X, samples[300].Accel.Y = math.NaN(), math.Inf(-1)
	if a, err := FitAxis(samples, AxisOptions{}); err != nil || !finite(a.Dir) {
		t.Errorf("axis %v: %v", a.Dir, err)
	}
	readings := simTurn(rng, 6, iron{forward: 1})
	readings[0].GyroRad, readings[50].CompassRad = math.NaN(), math.NaN()
	if d, err := CheckTurn(readings, TurnOptions{}); err != nil || math.IsNaN(d.B) {
		t.Errorf("deviation %v: %v", d.B, err)
	}
}
