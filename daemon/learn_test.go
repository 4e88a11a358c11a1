package daemon_test

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
	"plumbstar/sensors/stability"
)

// restNights are nights of the rig's chip at rest, pointing at the pole, as the
// log would give them: its true coefficients, a slow walk and noise.
func restNights(seed uint64, altDeg float64, n int) []stability.Night {
	chip := sim.TypicalLSM6DSO(seed)
	rng := rand.New(rand.NewPCG(seed, 5))
	sin, cos := math.Sincos(altDeg * math.Pi / 180)
	up := r3.Vec{X: sensors.StandardGravity * sin, Z: sensors.StandardGravity * cos}
	var out []stability.Night
	for k := range n {
		x := stability.Night{ID: int64(k + 1)}
		walk, ripple := r3.Vec{}, 0.0
		for i := range 120 {
			ripple = 0.6*ripple + 0.15*rng.NormFloat64()
			t := 16 - 18*float64(i)/120 + ripple
			walk = r3.Add(walk, r3.Scale(1e-5, r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}))
			per := chip.Accel.OffsetPerC
			scale := chip.Accel.ScalePerC
			a := r3.Add(up, r3.Add(walk, r3.Scale(t, r3.Vec{X: per.X + scale.X*up.X, Y: per.Y + scale.Y*up.Y, Z: per.Z + scale.Z*up.Z})))
			x.Rest.TS, x.Rest.TempC, x.Rest.Stretch = append(x.Rest.TS, float64(i)*300), append(x.Rest.TempC, t), append(x.Rest.Stretch, 0)
			g := r3.Scale(t, chip.Gyro.OffsetPerC)
			for j := range 3 {
				x.Accel[j] = append(x.Accel[j], [3]float64{a.X, a.Y, a.Z}[j]+2e-5*rng.NormFloat64())
				x.Gyro[j] = append(x.Gyro[j], [3]float64{g.X, g.Y, g.Z}[j]+1e-6*rng.NormFloat64())
			}
		}
		out = append(out, x)
	}
	return out
}

func budgetPart(r *rig, name string) float64 {
	for _, p := range r.seen.Estimate.Budget {
		if p.Name == name {
			return p.AltitudeDeg
		}
	}
	return math.NaN()
}

func (r *rig) chill(tempC float64) {
	r.mu.Lock()
	r.tempC = tempC
	r.mu.Unlock()
}

// TestTemperatureIsLearned: nights are offered, accepted, kept and recalled; the
// altitude stays where it is in the cold, and the budget's temperature part shrinks
// to what was shown.
func TestTemperatureIsLearned(t *testing.T) {
	const seed, alt = 3, 51.9
	r := newRig(t, "larkmoor", seed, nil)
	r.bench()
	r.point(alt, 0)
	learn := func(n int, unasked bool) error {
		return r.d.LearnTemperature(t.Context(), func(_ context.Context, chip string) ([]stability.Night, error) {
			if !strings.HasPrefix(chip, "LSM6DSO") {
				t.Errorf("asked for the nights of %q", chip)
			}
			return restNights(seed, alt, n), nil
		}, unasked)
	}
	if o := r.d.TemperatureOffer(); o.State != daemon.OfferNone {
		t.Errorf("before anybody looked: %+v", o)
	}
	if _, err := r.d.AcceptTemperature(); err == nil || !strings.Contains(err.Error(), "nobody has looked") {
		t.Errorf("accepted nothing: %v", err)
	}
	if err := learn(3, false); err != nil {
		t.Fatal(err)
	}
	if o := r.d.TemperatureOffer(); o.State != daemon.OfferRefused || !strings.Contains(o.Reason, "3 nights") {
		t.Errorf("three nights: %+v", o)
	}
	if err := learn(7, false); err != nil {
		t.Fatal(err)
	}
	offer := r.d.TemperatureOffer()
	if offer.State != daemon.OfferOpen || !offer.Proven || offer.Record == nil || len(offer.Record.Figures) < 15 {
		t.Fatalf("seven nights: %+v", offer)
	}
	t.Logf("offered: ±%.4f° for 10 °C, %v", offer.Record.SigmaDeg, offer.Record.Figures)

	cold := func() (off, part float64) {
		r.chill(15)
		r.run(20 * time.Second)
		a0 := r.seen.Estimate.Altitude.Deg
		r.chill(0)
		r.run(40 * time.Second)
		return r.seen.Estimate.Altitude.Deg - a0, budgetPart(r, "temperature")
	}
	off0, part0 := cold()
	if _, err := r.d.ArmWatch(daemon.Arming{}); err != nil {
		t.Fatal(err)
	}
	var refused *daemon.Refusal
	if _, err := r.d.AcceptTemperature(); !errors.As(err, &refused) || refused.Code != "watch-armed" {
		t.Errorf("accepted under watch: %v", err)
	}
	r.d.DisarmWatch()
	if notKept, err := r.d.AcceptTemperature(); err != nil || notKept != "" {
		t.Fatal(notKept, err)
	}
	off1, part1 := cold()
	t.Logf("15 °C colder: altitude off by %.4f°, then %.4f°; temperature part %.4f°, then %.4f°", off0, off1, part0, part1)
	if !(part1 < part0/3) {
		t.Errorf("temperature part of the budget %.4f°, before %.4f°", part1, part0)
	}
	if !(math.Abs(off1) < math.Abs(off0)/2) || math.Abs(off1) > 3*math.Hypot(part1, budgetPart(r, "noise"))+0.003 {
		t.Errorf("the altitude drifts by %.4f° in the cold, before by %.4f°", off1, off0)
	}
	if _, err := r.d.AcceptTemperature(); !errors.As(err, &refused) || refused.Code != "in-use" {
		t.Errorf("accepted twice: %v", err)
	}

	r.restart(nil)
	r.run(5 * time.Second)
	inUse, kept := r.d.Calibrations()
	found := false
	for _, c := range inUse {
		found = found || c.Part == daemon.PartTemperature && c.Method == daemon.CalibrationNights
	}
	if !found || len(kept) != 3 {
		t.Errorf("after a restart %+v in use, %d kept", inUse, len(kept))
	}
	if off2, part2 := cold(); !(math.Abs(off2) < math.Abs(off0)/2) || math.Abs(part2/part1-1) > 0.1 {
		t.Errorf("after a restart: off by %.4f°, temperature part %.4f°", off2, part2)
	}
	if err := learn(7, true); err != nil || r.d.TemperatureOffer().State != daemon.OfferInUse {
		t.Errorf("the same nights again: %v, %+v", err, r.d.TemperatureOffer().State)
	}
	if err := learn(8, true); err != nil || r.d.TemperatureOffer().State != daemon.OfferInUse {
		t.Errorf("one more night, unasked: %v, %+v", err, r.d.TemperatureOffer())
	}
	if _, kept := r.d.Calibrations(); len(kept) != 4 {
		t.Errorf("%d kept", len(kept))
	}
}

// TestReadRestNights: of a log, only what was under watch, warm and unmoved, and
// only nights of the chip in question.
func TestReadRestNights(t *testing.T) {
	dir := t.TempDir()
	begin := time.Date(2026, 3, 14, 18, 0, 0, 0, time.UTC)
	moment := func(at time.Duration) nightlog.Moment {
		return nightlog.Moment{At: at, UTC: begin.Add(at), SigmaS: 1, Source: "entered"}
	}
	l := nightlog.Start(nightlog.Options{Dir: dir, Opened: moment(0)})
	night := func(day int, chip string, armed bool) {
		at := time.Duration(day) * 24 * time.Hour
		l.BeginNight(moment(at), nightlog.NightInfo{Settings: []byte(`{"inertial_chip":"` + chip + `"}`)})
		if armed {
			l.Event(at+30*time.Minute, nightlog.Event{Kind: daemon.EventWatchArmed})
		}
		l.Event(at+50*time.Minute, nightlog.Event{Kind: "knock", Numbers: map[string]float64{"began_before_s": 2}})
		for s := range 90 * 60 {
			if s%1500 == 0 {
				flush(t, l)
			}
			x := nightlog.NewSample(at + time.Duration(s)*time.Second)
			x.TempC = 10
			x.Accel.Raw = r3.Vec{X: float64(s), Z: 9.8}
			l.Sample(x)
		}
		l.Event(at+80*time.Minute, nightlog.Event{Kind: daemon.EventWatchDisarmed})
		l.EndNight(moment(at + 90*time.Minute))
		flush(t, l)
	}
	night(0, "A at 0x6a", true)
	night(1, "B at 0x6a", true)
	night(2, "A at 0x6a", false)
	night(3, "A at 0x6a", true)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := nightlog.OpenReader(t.Context(), l.Path())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	got, err := daemon.ReadRestNights(t.Context(), r, "A at 0x6a")
	if err != nil || len(got) != 2 || got[0].ID != 1 || got[1].ID != 4 {
		t.Fatalf("%d nights, %v", len(got), err)
	}
	for _, n := range got {
		for i, ts := range n.Rest.TS {
			if ts < 29*60 || ts > 81*60 {
				t.Errorf("night %d: block at %g s", n.ID, ts)
			}
			if i > 0 && n.Rest.Stretch[i] != n.Rest.Stretch[i-1] && (ts < 49*60 || ts > 56*60) {
				t.Errorf("night %d: a new stretch at %g s", n.ID, ts)
			}
		}
	}
}
