package sim

import (
	"testing"
	"time"
)

func TestGridDue(t *testing.T) {
	for _, hz := range []float64{0.625, 12.5, 26, 75, 104, 155, 417, 999.7, 6667} {
		var g grid
		g.run(123456789*time.Nanosecond, hz)
		for _, n := range []int64{1, 2, 3, 10, 997, 1_000_003, 36_000_000} {
			at := g.time(n)
			if got := g.due(at); got != n {
				t.Errorf("%v Hz: at the time of sample %d, %d is due", hz, n, got)
			}
			if got := g.due(at - 1); got != n-1 {
				t.Errorf("%v Hz: a nanosecond before sample %d, %d is due", hz, n, got)
			}
		}
		if got := g.due(g.start - time.Hour); got != 0 {
			t.Errorf("before the start sample %d is due", got)
		}
	}
	var g grid
	if g.run(0, 0); g.due(time.Hour) != 0 {
		t.Error("a stopped grid has samples")
	}
	g.run(0, 100)
	if n := g.take(time.Second); n != 100 {
		t.Errorf("%d samples taken, want 100", n)
	}
	if n := g.take(time.Second); n != 0 {
		t.Errorf("%d samples taken twice", n)
	}
}

func TestHissKnowsItsGrid(t *testing.T) {
	make := func() *hiss {
		h := &hiss{seed: 1, channel: channelAccel, dice: newDice()}
		h.shape(0.95)
		return h
	}
	var first, second grid
	first.run(0, 100)
	second.run(time.Second, 100)
	used := make()
	used.at(&first, 100)
	if used.at(&second, 110) != make().at(&second, 110) {
		t.Error("the noise of a grid depends on the one before")
	}
	back := make()
	back.at(&first, 300)
	if back.at(&first, 200) != make().at(&first, 200) {
		t.Error("an earlier sample depends on a later one")
	}
}
