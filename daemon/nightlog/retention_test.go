package nightlog

import (
	"encoding/json"
	"math/rand/v2"
	"testing"
	"time"
)

// TestRetention: over the limit the oldest full-rate data go first, then the
// oldest samples; calibrations, sightings, sites and nights stay.
func TestRetention(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	rng := rand.New(rand.NewPCG(10, 10))
	l := open(t, Options{Dir: dir})
	const nights, samples = 4, 800
	for n := range nights {
		base := time.Duration(n) * 24 * time.Hour
		l.BeginNight(system(base), NightInfo{Site: larkmoor()})
		if _, err := l.AddCalibration(ctx, base, Calibration{Kind: "compass", Data: json.RawMessage(`{}`)}); err != nil {
			t.Fatal(err)
		}
		if _, err := l.AddSighting(ctx, base, Sighting{Kind: "sun shadow", Data: json.RawMessage(`{}`)}); err != nil {
			t.Fatal(err)
		}
		for i := range samples {
			l.Sample(plausible(rng, base+time.Duration(i)*time.Second))
			if i%400 == 399 {
				flush(t, l)
			}
		}
		for i := range 40 {
			l.FullRate(fullSecond(rng, base+time.Duration(i)*time.Second, 100))
		}
		l.Event(base+time.Hour, Event{Kind: "moved"})
		flush(t, l)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	counts := func() (full, rows [nights + 1]int) {
		r := reader(t, l.Path())
		defer r.Close()
		for _, s := range collect(t, r.FullRate(ctx, All)) {
			full[s.Night]++
		}
		for _, s := range collect(t, r.Samples(ctx, All)) {
			rows[s.Night]++
		}
		list, err := r.Nights(ctx)
		if err != nil || len(list) != nights {
			t.Errorf("%d nights, %v", len(list), err)
		}
		cal, err := r.Calibrations(ctx)
		if err != nil || len(cal) != nights {
			t.Errorf("%d calibrations, %v", len(cal), err)
		}
		if sight, err := r.Sightings(ctx); err != nil || len(sight) != nights {
			t.Errorf("%d sightings, %v", len(sight), err)
		}
		return full, rows
	}
	size := func(limit int64) int64 {
		l = open(t, Options{Dir: dir, MaxBytes: limit})
		flush(t, l)
		bytes := l.Health().Bytes
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		return bytes
	}
	whole := size(DefaultMaxBytes)
	full, rows := counts()
	if full[1] != 40 || rows[1] != samples {
		t.Fatalf("under the limit: %v %v", full, rows)
	}

	// A little too much: only full-rate data of the first night.
	if got := size(whole - 1000); got > whole-1000 {
		t.Errorf("%d bytes in use after thinning, %d before", got, whole)
	}
	full, rows = counts()
	if full[1] != 0 || full[nights] != 0 && full[nights] != 40 || rows[1] != samples {
		t.Errorf("full-rate seconds by night %v, samples %v", full, rows)
	}

	// Much too much: all full-rate data, then the oldest samples.
	limit := whole / 3
	if got := size(limit); got > limit {
		t.Errorf("%d bytes in use, the limit is %d", got, limit)
	}
	full, rows = counts()
	sum := 0
	for _, n := range full {
		sum += n
	}
	if sum != 0 || rows[1] != 0 || rows[nights] != samples {
		t.Errorf("full-rate seconds by night %v, samples %v", full, rows)
	}
	// The space is used again: as many new samples do not make the file grow.
	before := len(read(t, l.Path()))
	l = open(t, Options{Dir: dir, MaxBytes: limit})
	l.BeginNight(system(1000*time.Hour), NightInfo{})
	for i := range 400 {
		l.Sample(plausible(rng, 1000*time.Hour+time.Duration(i)*time.Second))
	}
	flush(t, l)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if after := len(read(t, l.Path())); after > before {
		t.Errorf("the file grew from %d to %d bytes although there was space inside", before, after)
	}
	r := reader(t, l.Path())
	thinned := 0
	for _, e := range collect(t, r.Events(ctx, All)) {
		if e.Kind == "log-thinned" {
			thinned++
			t.Logf("%v", e.Numbers)
		}
	}
	if thinned != 2 {
		t.Errorf("%d events say so, want 2", thinned)
	}
}
