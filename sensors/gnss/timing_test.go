package gnss

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

var began = time.Date(2026, 11, 12, 20, 30, 0, 0, time.UTC)

func timeFix(at time.Duration, utc time.Time) *Fix {
	f := newFix()
	f.At, f.UTC = at, utc
	return &f
}

// The truth lies inside the stated sigma as often as it says, for receivers of
// any latency that the prior allows, with a scatter and with late reports.
func TestTimingIsHonest(t *testing.T) {
	for name, l := range map[string]Latency{"serial": SerialLatency(), "gpsd": GpsdLatency()} {
		runs, slack := 2000, 0.0
		if testing.Short() {
			runs, slack = 200, 0.05
		}
		inside1, inside2 := 0, 0
		for seed := range uint64(runs) {
			rng := rand.New(rand.NewPCG(seed, 1))
			latency := math.Max(0.01, l.MeanS+l.SigmaS*rng.NormFloat64())
			tm := NewTiming(l)
			at := time.Duration(0)
			for i := range 60 {
				at = time.Duration(i) * time.Second
				late := latency + 0.02*math.Abs(rng.NormFloat64())
				if rng.IntN(10) == 0 {
					late += 0.5 * rng.Float64()
				}
				tm.Add(timeFix(at+time.Duration(late*1e9), began.Add(at)))
			}
			got, sigma, ok := tm.UTC(at)
			if !ok || sigma != l.SigmaS {
				t.Fatal("no time")
			}
			e := math.Abs(got.Sub(began.Add(at)).Seconds()) / sigma
			if e < 1 {
				inside1++
			}
			if e < 1.96 {
				inside2++
			}
		}
		p1, p2 := float64(inside1)/float64(runs), float64(inside2)/float64(runs)
		if p1 < 0.64-slack || p1 > 0.74+slack || p2 < 0.93-slack || p2 > 0.985 {
			t.Errorf("%s: %.3f within 1 sigma, %.3f within 1.96", name, p1, p2)
		}
		t.Logf("%s: %.3f within 1 sigma, %.3f within 1.96", name, p1, p2)
	}
}

func TestTimingNeedsSeveralRecentReports(t *testing.T) {
	tm := NewTiming(SerialLatency())
	for i := range 4 {
		tm.Add(timeFix(time.Duration(i)*time.Second, began.Add(time.Duration(i)*time.Second)))
	}
	if _, _, ok := tm.UTC(3 * time.Second); ok {
		t.Error("four reports suffice")
	}
	tm.Add(timeFix(4*time.Second, began.Add(4*time.Second)))
	if _, _, ok := tm.UTC(4 * time.Second); !ok {
		t.Error("five reports do not suffice")
	}
	if _, _, ok := tm.UTC(10 * time.Minute); ok {
		t.Error("old reports suffice")
	}
}

// One wild report changes nothing; a receiver that changes its mind for good is
// followed (whether it is believed is decided by the clock that hears of it).
func TestTimingSetsWildReportsApart(t *testing.T) {
	tm := NewTiming(Latency{MeanS: 0, SigmaS: 0.1})
	at := time.Duration(0)
	next := func(step time.Duration) {
		at += time.Second
		tm.Add(timeFix(at, began.Add(at+step)))
	}
	offset := func() time.Duration {
		got, _, ok := tm.UTC(at)
		if !ok {
			t.Fatal("no time")
		}
		return got.Sub(began.Add(at)).Round(time.Millisecond)
	}
	for range 10 {
		next(0)
	}
	for _, wild := range []time.Duration{time.Hour, -time.Hour, time.Hour, -time.Hour, time.Hour, -time.Hour, 30 * time.Second} {
		next(wild)
		if o := offset(); o != 0 {
			t.Errorf("after a report off by %v: %v", wild, o)
		}
	}
	for range 4 {
		next(2 * time.Second)
	}
	if o := offset(); o != 0 {
		t.Errorf("four reports moved it by %v", o)
	}
	for range 2 {
		next(2 * time.Second)
	}
	if o := offset(); o != 2*time.Second {
		t.Errorf("after the leap seconds were learned: %v", o)
	}
	// Dates that no receiver can mean are ignored.
	before := len(tm.offsets)
	for _, y := range []int{1, 1979, 2201, 9999} {
		tm.Add(timeFix(at, time.Date(y, 1, 1, 0, 0, 0, 0, time.UTC)))
	}
	if len(tm.offsets) != before || len(tm.strange) != 0 {
		t.Error("an impossible date was kept")
	}
	for i := range 3 * timingMost {
		tm.Add(timeFix(at+time.Duration(i)*time.Millisecond, began.Add(at+2*time.Second+time.Duration(i)*time.Millisecond)))
	}
	if len(tm.offsets) > timingMost+1 {
		t.Errorf("%d reports are kept", len(tm.offsets))
	}
}
