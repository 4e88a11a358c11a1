package nightlog

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// dusk is when the invented nights begin.
var dusk = time.Date(2026, 3, 14, 18, 30, 0, 0, time.UTC)

func larkmoor() *Site { return &Site{Name: "Larkmoor", LatDeg: 51.90, LonDeg: 8.40, HeightM: 120} }

func system(at time.Duration) Moment {
	return Moment{At: at, UTC: dusk.Add(at), SigmaS: 0.5, Source: "system"}
}

// open starts a log whose commits come only from what the test asks for.
func open(t testing.TB, o Options) *Log {
	t.Helper()
	if o.Every == 0 {
		o.Every = time.Hour
	}
	if o.Opened.UTC.IsZero() {
		o.Opened = system(0)
	}
	l := Start(o)
	t.Cleanup(func() { _ = l.Close() })
	return l
}

func reader(t testing.TB, path string) *Reader {
	t.Helper()
	r, err := OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.Close)
	return r
}

func flush(t testing.TB, l *Log) {
	t.Helper()
	if err := l.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func collect[T any](t testing.TB, seq iter.Seq2[*T, error]) (out []T) {
	t.Helper()
	for x, err := range seq {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, *x)
	}
	return out
}

func gaussVec(r *rand.Rand, mean r3.Vec, sigma float64) r3.Vec {
	return r3.Add(mean, r3.Scale(sigma, r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}))
}

// plausible is one second of a quiet night, with the noise that sets the size.
func plausible(r *rand.Rand, at time.Duration) Sample {
	read := func(mean r3.Vec, noise float64) Reading {
		return Reading{Raw: gaussVec(r, mean, noise), Corrected: gaussVec(r, mean, noise), Spread: gaussVec(r, r3.Vec{X: 10 * noise, Y: 10 * noise, Z: 10 * noise}, noise)}
	}
	return Sample{
		At: at, State: "steady", TempC: 12.34 + 0.01*r.NormFloat64(),
		Accel: read(r3.Vec{X: 7.7, Y: 0.1, Z: 6.05}, 1e-3), Gyro: read(r3.Vec{X: 0.004, Y: -0.01, Z: 0.002}, 1e-4), Field: read(r3.Vec{X: 3.2, Y: -18.5, Z: 45.1}, 0.02),
		AxisAltitude: Angle{51.92 + 1e-3*r.NormFloat64(), 0.05}, AxisAzimuth: Angle{359.1 + 0.01*r.NormFloat64(), 0.9}, AxisRoll: Angle{0.3, 0.1},
		Error: Angle{0.61 + 1e-3*r.NormFloat64(), 0.5}, VibrationMS2: math.Abs(0.012 + 1e-3*r.NormFloat64()), ShakeArcsec: 3.2, StrengthUT: 48.9 + 0.02*r.NormFloat64(), DipDeg: 67.1,
	}
}

func fullSecond(r *rand.Rand, at time.Duration, hz int) Second {
	s := Second{At: at}
	for i := range hz {
		when := at + time.Duration(i)*time.Second/time.Duration(hz)
		s.Inertial = append(s.Inertial, sensors.InertialSample{At: when, Accel: gaussVec(r, r3.Vec{X: 7.7, Z: 6.05}, 0.007), Gyro: gaussVec(r, r3.Vec{}, 7e-4), TempC: 12.34})
		if i%2 == 0 {
			s.Magnetic = append(s.Magnetic, sensors.MagneticSample{At: when + 3*time.Millisecond, FieldUT: gaussVec(r, r3.Vec{X: 3, Y: -18, Z: 45}, 0.1), TempC: math.NaN(), Flags: sensors.Overrun})
		}
	}
	return s
}

// TestRoundTrip: what goes in comes out, to the stated decimals.
func TestRoundTrip(t *testing.T) {
	ctx := t.Context()
	rng := rand.New(rand.NewPCG(1, 1))
	l := open(t, Options{Dir: t.TempDir()})
	l.Event(time.Second, Event{Kind: "started", Text: "before the night"})
	l.BeginNight(system(10*time.Second), NightInfo{Name: "first", Site: larkmoor(), Settings: json.RawMessage(`{"aim": "refracted"}`)})
	full := plausible(rng, 11*time.Second)
	bare := NewSample(12 * time.Second)
	bare.State = "lost"
	l.Sample(full)
	l.Sample(bare)
	second := fullSecond(rng, 11*time.Second, 100)
	l.FullRate(second)
	l.Event(12500*time.Millisecond, Event{Kind: "moved", Text: `kick, "hard"`, Numbers: map[string]float64{"size_deg": 0.07, "lost_deg": math.NaN()}})

	cal := Calibration{Kind: "compass", Chip: "LIS3MDL 0x1c", Data: json.RawMessage(`{"offset_uT":[1,2,3]}`), SigmaDeg: 0.8, TempC: 14, Site: larkmoor(), Note: "first"}
	first, err := l.AddCalibration(ctx, 13*time.Second, cal)
	if err != nil {
		t.Fatal(err)
	}
	better := cal
	better.Supersedes, better.SigmaDeg, better.Site, better.TempC = first, 0.6, nil, math.NaN()
	next, err := l.AddCalibration(ctx, 14*time.Second, better)
	if err != nil {
		t.Fatal(err)
	}
	sight := Sighting{Kind: "pole star", Data: json.RawMessage(`{"star":"HIP 11767"}`), AzimuthSigmaDeg: 0.1, AltitudeSigmaDeg: math.NaN(), TempC: 11, Site: larkmoor()}
	if _, err := l.AddSighting(ctx, 15*time.Second, sight); err != nil {
		t.Fatal(err)
	}
	id, ok := l.Night()
	if !ok {
		t.Fatal("no night")
	}
	if err := l.Annotate(ctx, id, "renamed", "windy"); err != nil {
		t.Fatal(err)
	}
	l.EndNight(system(20 * time.Second))
	flush(t, l)
	if _, ok := l.Night(); ok {
		t.Error("the night goes on")
	}

	r := reader(t, l.Path())
	night, err := r.Night(ctx, Latest)
	if err != nil {
		t.Fatal(err)
	}
	want := Night{
		ID: id, NightInfo: NightInfo{Name: "renamed", Note: "windy", Site: larkmoor(), Settings: json.RawMessage(`{"aim": "refracted"}`)},
		Begin: dusk.Add(10 * time.Second), End: dusk.Add(20 * time.Second), ClockSigmaS: 0.5, ClockSource: "system", Runs: 1,
	}
	want.Site.ID = 1
	if d := cmp.Diff(want, night); d != "" {
		t.Error("night:", d)
	}
	samples := collect(t, r.Samples(ctx, id))
	if len(samples) != 2 || samples[0].UTC != dusk.Add(11*time.Second) || samples[0].TS != 1 || samples[0].Night != id {
		t.Fatalf("samples %+v", samples)
	}
	for i, s := range []Sample{full, bare} {
		got := samples[i].Sample
		for _, q := range quantities() {
			a, b := *q.of(&s), *q.of(&got)
			if math.IsNaN(a) != math.IsNaN(b) || math.Abs(a-b) > 0.5001/q.scale {
				t.Errorf("%s: %v came back as %v", q.name, a, b)
			}
		}
		if got.State != s.State || got.At != s.At {
			t.Errorf("sample %d: %+v", i, got)
		}
	}
	seconds := collect(t, r.FullRate(ctx, id))
	if len(seconds) != 1 {
		t.Fatalf("%d full-rate seconds", len(seconds))
	}
	if d := cmp.Diff(second, seconds[0].Second, cmpopts.EquateNaNs(), cmpopts.EquateApprox(0, 0.51e-3)); d != "" {
		t.Error("full rate:", d)
	}
	events := collect(t, r.Events(ctx, All))
	if len(events) != 2 || events[0].Night != 0 || events[0].TS != 1 || events[1].Night != id || events[1].TS != 2.5 || events[1].UTC != dusk.Add(12500*time.Millisecond) {
		t.Fatalf("events %+v", events)
	}
	if d := cmp.Diff(map[string]float64{"size_deg": 0.07}, events[1].Numbers); d != "" {
		t.Error("numbers:", d)
	}
	calibrations, err := r.Calibrations(ctx)
	if err != nil {
		t.Fatal(err)
	}
	cal.ID, cal.UTC, cal.SupersededBy = first, dusk.Add(13*time.Second), next
	better.ID, better.UTC = next, dusk.Add(14*time.Second)
	for _, c := range []*Calibration{&cal, &better} {
		if c.Site != nil {
			c.Site.ID = 1
		}
	}
	if d := cmp.Diff([]Calibration{cal, better}, calibrations, cmpopts.EquateNaNs()); d != "" {
		t.Error("calibrations:", d)
	}
	sightings, err := r.Sightings(ctx)
	if err != nil {
		t.Fatal(err)
	}
	sight.ID, sight.UTC, sight.Site.ID = 1, dusk.Add(15*time.Second), 1
	if d := cmp.Diff([]Sighting{sight}, sightings, cmpopts.EquateNaNs()); d != "" {
		t.Error("sightings:", d)
	}
	sites, err := r.Sites(ctx)
	if err != nil || len(sites) != 1 || sites[0].Name != "Larkmoor" {
		t.Errorf("sites %+v %v", sites, err)
	}
	if h := l.Health(); h.Problem != nil || h.Waiting != 0 || h.Dropped != 0 {
		t.Errorf("health %+v", h)
	}
}

// TestRejected: a record that cannot be stored costs only itself.
func TestRejected(t *testing.T) {
	ctx := t.Context()
	l := open(t, Options{Dir: t.TempDir()})
	l.Sample(NewSample(time.Second))
	if _, err := l.AddCalibration(ctx, 0, Calibration{Data: json.RawMessage(`{`)}); KindOf(err) != Rejected {
		t.Errorf("no JSON: %v", err)
	}
	if _, err := l.AddCalibration(ctx, 0, Calibration{Data: json.RawMessage(`1`), Supersedes: 99}); KindOf(err) != Rejected {
		t.Errorf("superseding nothing: %v", err)
	}
	if _, err := l.AddSighting(ctx, 0, Sighting{Data: nil}); KindOf(err) != Rejected {
		t.Errorf("no data: %v", err)
	}
	if err := l.Annotate(ctx, 77, "x", ""); KindOf(err) != NotFound || !strings.Contains(err.Error(), "plumbstar nights") {
		t.Errorf("no such night: %v", err)
	}
	flush(t, l)
	r := reader(t, l.Path())
	if n := len(collect(t, r.Samples(ctx, All))); n != 1 {
		t.Errorf("%d samples, want 1", n)
	}
	if _, err := r.Night(ctx, 77); KindOf(err) != NotFound {
		t.Errorf("reading: %v", err)
	}
	if _, err := r.Night(ctx, Latest); KindOf(err) != NotFound {
		t.Errorf("no night at all: %v", err)
	}
}

// TestNeverOverwritten: the database itself refuses.
func TestNeverOverwritten(t *testing.T) {
	ctx := t.Context()
	l := open(t, Options{Dir: t.TempDir()})
	if _, err := l.AddCalibration(ctx, 0, Calibration{Data: json.RawMessage(`1`), Site: larkmoor()}); err != nil {
		t.Fatal(err)
	}
	if _, err := l.AddSighting(ctx, 0, Sighting{Data: json.RawMessage(`1`)}); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := openDatabase(ctx, l.Path(), migrations())
	if err != nil {
		t.Fatal(err)
	}
	defer db.close()
	for _, table := range []string{"calibrations", "sightings", "sites"} {
		for _, q := range []string{"DELETE FROM " + table, "UPDATE " + table + " SET note = 'x'"} {
			if _, err := db.conn.ExecContext(ctx, q); err == nil || !strings.Contains(err.Error(), "never") {
				t.Errorf("%s: %v", q, err)
			}
		}
	}
}

// TestSecondRunResumes: after a restart the night goes on, with its own
// monotonic clock; the days between nights stay apart.
func TestSecondRunResumes(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	l := open(t, Options{Dir: dir})
	l.BeginNight(system(0), NightInfo{Name: "long", Site: larkmoor()})
	l.Sample(NewSample(5 * time.Second))
	flush(t, l)
	id, _ := l.Night()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}

	r := reader(t, l.Path())
	if n, err := r.Night(ctx, id); err != nil || !n.Open || n.End != dusk.Add(5*time.Second) {
		t.Fatalf("cut night: %+v %v", n, err)
	}
	r.Close()

	// The board started again an hour later; its monotonic clock begins anew.
	later := Moment{At: 3 * time.Second, UTC: dusk.Add(time.Hour), SigmaS: 0.5, Source: "system"}
	l = open(t, Options{Dir: dir, Opened: later})
	l.ResumeNight(later, id)
	l.Sample(NewSample(4 * time.Second))
	l.EndNight(Moment{At: 5 * time.Second, UTC: dusk.Add(time.Hour + 2*time.Second), SigmaS: 0.5, Source: "system"})
	l.Sample(NewSample(6 * time.Second))
	l.BeginNight(system(100*time.Hour), NightInfo{Name: "next"})
	flush(t, l)

	r = reader(t, l.Path())
	list, err := r.Nights(ctx)
	if err != nil || len(list) != 2 {
		t.Fatalf("%+v %v", list, err)
	}
	if n := list[0]; n.Runs != 2 || n.Open || n.Name != "long" || n.Begin != dusk || n.End != dusk.Add(time.Hour+2*time.Second) || n.Site == nil {
		t.Errorf("resumed night %+v", n)
	}
	if n := list[1]; !n.Open || n.Name != "next" || n.Site != nil {
		t.Errorf("next night %+v", n)
	}
	s := collect(t, r.Samples(ctx, id))
	if len(s) != 2 || s[0].TS != 5 || s[1].TS != 3601 {
		t.Errorf("samples of the resumed night: %+v", s)
	}
	if all := collect(t, r.Samples(ctx, All)); len(all) != 3 || all[2].Night != 0 || all[2].TS != 1 {
		t.Errorf("all samples: %+v", all)
	}
	for s, err := range r.Samples(ctx, All) { // leaving early frees the connection
		if err != nil || s.TS != 5 {
			t.Fatal(s, err)
		}
		break
	}
	if _, err := r.Night(ctx, id); err != nil {
		t.Error("after leaving a loop early:", err)
	}
}

// TestSchemaHoldsQuantities: the columns that are written are those of the table,
// in the same order.
func TestSchemaHoldsQuantities(t *testing.T) {
	db, err := openDatabase(t.Context(), t.TempDir()+"/"+FileName, migrations())
	if err != nil {
		t.Fatal(err)
	}
	defer db.close()
	rows, err := db.conn.QueryContext(t.Context(), `SELECT name FROM pragma_table_info('samples')`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var got []string
	for rows.Next() {
		name := ""
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		got = append(got, name)
	}
	want := []string{"id", "state"}
	for _, q := range quantities() {
		want = append(want, q.column)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// TestSyncsEachCommit: what the promise about power cuts rests on.
func TestSyncsEachCommit(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	mode, sync := "", 0
	err := connection(t, l).QueryRowContext(t.Context(), "SELECT journal_mode, synchronous FROM pragma_journal_mode, pragma_synchronous").Scan(&mode, &sync)
	if err != nil || mode != "wal" || sync != 2 {
		t.Errorf("journal mode %s, synchronous %d (FULL is 2), %v", mode, sync, err)
	}
}

// TestManyCallers: the loop, the page and readers at once; run it with -race.
func TestManyCallers(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir(), Every: 5 * time.Millisecond})
	l.BeginNight(system(0), NightInfo{Name: "busy"})
	flush(t, l)
	ctx, stop := context.WithCancel(t.Context())
	const callers, each = 4, 200
	errs := make(chan error, callers+1)
	for c := range callers {
		go func() {
			rng := rand.New(rand.NewPCG(uint64(c), 0))
			for i := range each {
				at := time.Duration(c*each+i) * time.Second
				l.Sample(plausible(rng, at))
				switch i % 50 {
				case 10:
					l.FullRate(fullSecond(rng, at, 20))
				case 20:
					l.Event(at, Event{Kind: "test", Text: fmt.Sprint(i)})
				case 30:
					if _, err := l.AddCalibration(ctx, at, Calibration{Kind: "k", Data: json.RawMessage(`{}`)}); err != nil {
						errs <- err
						return
					}
				}
				_ = l.Health()
			}
			errs <- nil
		}()
	}
	go func() {
		for ctx.Err() == nil {
			r, err := OpenReader(context.Background(), l.Path())
			if err != nil {
				errs <- err
				return
			}
			for _, err := range r.Samples(context.Background(), All) {
				if err != nil {
					errs <- err
					break
				}
			}
			r.Close()
		}
		errs <- nil
	}()
	for range callers {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	stop()
	if err := <-errs; err != nil {
		t.Error(err)
	}
	flush(t, l)
	r := reader(t, l.Path())
	if n := len(collect(t, r.Samples(t.Context(), All))); n != callers*each {
		t.Errorf("%d samples, want %d", n, callers*each)
	}
	if n := len(collect(t, r.FullRate(t.Context(), All))); n != callers*each/50 {
		t.Errorf("%d seconds, want %d", n, callers*each/50)
	}
	if cal, err := r.Calibrations(t.Context()); err != nil || len(cal) != callers*each/50 {
		t.Errorf("%d calibrations, %v", len(cal), err)
	}
}

// TestClosed: after Close records are dropped, callers are told.
func TestClosed(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	l.Sample(NewSample(time.Second))
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Error("closing twice:", err)
	}
	l.Sample(NewSample(2 * time.Second))
	if err := l.Flush(t.Context()); KindOf(err) != Closed {
		t.Errorf("%v", err)
	}
	if h := l.Health(); h.Dropped != 2 || h.Written != 1 {
		t.Errorf("%+v", h)
	}
	if n := len(collect(t, reader(t, l.Path()).Samples(t.Context(), All))); n != 1 {
		t.Errorf("%d samples", n)
	}
}
