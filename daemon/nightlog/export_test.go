package nightlog

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbstar/sensors/recorded"
)

// smallNight has a bit of everything.
func smallNight(t *testing.T) *Log {
	t.Helper()
	rng := rand.New(rand.NewPCG(12, 12))
	l := open(t, Options{Dir: t.TempDir()})
	l.Event(0, Event{Kind: "started"})
	l.BeginNight(system(100*time.Second), NightInfo{Name: `the "first", of many`, Site: larkmoor(), Settings: json.RawMessage("{\n \"a\": 1}")})
	for i := range 20 {
		l.Sample(plausible(rng, time.Duration(100+i)*time.Second))
	}
	l.Sample(NewSample(120 * time.Second))
	for i := range 3 {
		l.FullRate(fullSecond(rng, time.Duration(110+i)*time.Second, 100))
	}
	l.Event(111*time.Second, Event{Kind: "moved", Text: "a kick,\nthen rest", Numbers: map[string]float64{"size_deg": 0.1}})
	for range 2 {
		if _, err := l.AddCalibration(t.Context(), 115*time.Second, Calibration{Kind: "compass", Chip: "x", Data: json.RawMessage(`{"b": [1, 2]}`), SigmaDeg: 0.5, TempC: math.NaN(), Site: larkmoor()}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := l.AddSighting(t.Context(), 116*time.Second, Sighting{Kind: "sun shadow", Data: json.RawMessage(`{}`), AzimuthSigmaDeg: 0.3, AltitudeSigmaDeg: math.NaN(), TempC: 3}); err != nil {
		t.Fatal(err)
	}
	flush(t, l)
	return l
}

// TestExportAgrees: both formats of every table can be read, have the columns of
// the dictionary, say the same, and hold the expected number of rows.
func TestExportAgrees(t *testing.T) {
	l := smallNight(t)
	r := reader(t, l.Path())
	rows := map[Table]int{TableSamples: 21, TableEvents: 1, TableFullRate: 450, TableNights: 1, TableCalibrations: 2, TableSightings: 1, TableSites: 1}
	for _, table := range Tables() {
		var asCSV, asLines bytes.Buffer
		if err := r.Export(t.Context(), &asCSV, table, Latest, CSV); err != nil {
			t.Fatal(table, err)
		}
		if err := r.Export(t.Context(), &asLines, table, Latest, JSONLines); err != nil {
			t.Fatal(table, err)
		}
		cells, err := csv.NewReader(&asCSV).ReadAll()
		if err != nil {
			t.Fatal(table, err)
		}
		fields := table.fields()
		for i, f := range fields {
			if cells[0][i] != f.Name || f.Text == "" || f.Type == typeNumber && f.Unit == "" && strings.ContainsAny(f.Name, "_") && !strings.HasSuffix(f.Name, "_by") {
				t.Errorf("%s: column %d is %q, described as %+v", table, i, cells[0][i], f)
			}
		}
		if len(cells) != rows[table]+1 || len(cells[0]) != len(fields) {
			t.Errorf("%s: %d rows of %d columns, want %d of %d", table, len(cells)-1, len(cells[0]), rows[table], len(fields))
		}
		lines := strings.Split(strings.TrimSuffix(asLines.String(), "\n"), "\n")
		if len(lines) != len(cells)-1 {
			t.Errorf("%s: %d lines of JSON, %d rows of CSV", table, len(lines), len(cells)-1)
			continue
		}
		for n, line := range lines {
			var object map[string]json.RawMessage
			if err := json.Unmarshal([]byte(line), &object); err != nil || len(object) != len(fields) {
				t.Fatalf("%s: %v in %s", table, err, line)
			}
			for i, f := range fields {
				cell, raw := cells[n+1][i], string(object[f.Name])
				var text string
				switch {
				case raw == "null":
				case f.Type == typeText || f.Type == typeTime:
					if err := json.Unmarshal(object[f.Name], &text); err != nil {
						t.Fatal(err)
					}
				case f.Type == typeJSON:
					text = raw
					var a, b any
					if json.Unmarshal([]byte(cell), &a) != nil || json.Unmarshal([]byte(raw), &b) != nil {
						t.Errorf("%s %s: %q and %q", table, f.Name, cell, raw)
					}
					cell = text
				default:
					text = raw
				}
				if cell != text {
					t.Errorf("%s row %d %s: CSV %q, JSON %q", table, n, f.Name, cell, raw)
				}
			}
		}
	}
}

// TestExportedFullRateIsARecording: replay and stability read it.
func TestExportedFullRateIsARecording(t *testing.T) {
	r := reader(t, smallNight(t).Path())
	var out bytes.Buffer
	if err := r.Export(t.Context(), &out, TableFullRate, Latest, CSV); err != nil {
		t.Fatal(err)
	}
	rec, err := recorded.NewReader(&out)
	if err != nil {
		t.Fatal(err)
	}
	inertial, magnetic := 0, 0
	for {
		row, err := rec.Next()
		if err != nil {
			break
		}
		if row.HasInertial {
			inertial++
			if row.Inertial.TempC != 12.34 || row.T < 10*time.Second || row.T > 13*time.Second {
				t.Errorf("row %+v", row)
			}
		}
		if row.HasMagnetic {
			magnetic++
		}
	}
	if inertial != 300 || magnetic != 150 {
		t.Errorf("%d inertial and %d magnetic rows, want 300 and 150", inertial, magnetic)
	}
}

// TestExportAll holds the time between nights too.
func TestExportAll(t *testing.T) {
	r := reader(t, smallNight(t).Path())
	var out bytes.Buffer
	if err := r.Export(t.Context(), &out, TableEvents, All, CSV); err != nil {
		t.Fatal(err)
	}
	if s := out.String(); !strings.Contains(s, "\n,2026-03-14T18:30:00.000Z,0.000,started,") {
		t.Error(s)
	}
	if err := r.Export(t.Context(), &out, TableEvents, 9, CSV); KindOf(err) != NotFound {
		t.Errorf("night 9: %v", err)
	}
	if err := r.Export(t.Context(), failing{}, TableSamples, All, CSV); !errors.Is(err, errPipe) {
		t.Errorf("a reader that left: %v", err)
	}
}

var errPipe = errors.New("nobody reads")

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errPipe }

// TestBackupWhileRunning: the copy is sound and whole while a log goes on
// writing, and is never written over something.
func TestBackupWhileRunning(t *testing.T) {
	ctx := t.Context()
	l := open(t, Options{Dir: t.TempDir(), Every: time.Millisecond})
	l.BeginNight(system(0), NightInfo{Name: "busy"})
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		rng := rand.New(rand.NewPCG(13, 13))
		for i := 1; ; i++ {
			select {
			case <-stop:
				return
			default:
				l.Sample(plausible(rng, time.Duration(i)*time.Second))
				_ = l.Flush(ctx)
			}
		}
	}()
	dir := t.TempDir()
	least := 0
	for i := range 5 {
		time.Sleep(10 * time.Millisecond)
		path := filepath.Join(dir, "backup "+string(rune('a'+i))+"?%20.db") // any name will do
		r := reader(t, l.Path())
		if err := r.Backup(ctx, path); err != nil {
			t.Fatal(err)
		}
		if err := r.Backup(ctx, path); err == nil || !strings.Contains(err.Error(), "another name") {
			t.Errorf("over an old backup: %v", err)
		}
		r.Close()
		b := reader(t, path)
		n := len(collect(t, b.Samples(ctx, 1)))
		if n < least || n == 0 {
			t.Errorf("%d samples in the backup, %d in the one before", n, least)
		}
		least = n
		b.Close()
	}
	close(stop)
	<-done
	if err := reader(t, l.Path()).Backup(ctx, filepath.Join(dir, "none", "x.db")); err == nil {
		t.Error("a backup into a directory that is not there")
	}
	left, err := filepath.Glob(filepath.Join(dir, ".nightlog*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
	// A backup takes the place of a lost log.
	place := t.TempDir()
	write(t, filepath.Join(place, FileName), read(t, filepath.Join(dir, "backup a?%20.db")))
	n := open(t, Options{Dir: place})
	n.Sample(NewSample(time.Second))
	flush(t, n)
	if h := n.Health(); h.Problem != nil || len(h.Aside) > 0 {
		t.Errorf("a log from a backup: %+v", h)
	}
	if info, err := os.Stat(filepath.Join(dir, "backup a?%20.db")); err != nil || info.Mode().Perm()&0o077 != 0 {
		t.Errorf("a backup for all eyes: %v %v", info.Mode(), err)
	}
}

func TestParseNames(t *testing.T) {
	for _, table := range Tables() {
		if got, err := ParseTable(string(table)); err != nil || got != table {
			t.Errorf("%s: %v", table, err)
		}
	}
	if _, err := ParseTable("nothing"); err == nil || !strings.Contains(err.Error(), "samples") {
		t.Errorf("%v", err)
	}
	if _, err := ParseFormat("xml"); err == nil || !strings.Contains(err.Error(), "jsonl") {
		t.Errorf("%v", err)
	}
	names := map[string]bool{}
	for _, f := range Dictionary() {
		if key := f.Table + " " + f.Name; names[key] {
			t.Errorf("%s is there twice", key)
		} else {
			names[key] = true
		}
	}
}

// TestCommitsByItself: without being asked, after the time that was set.
func TestCommitsByItself(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir(), Every: 20 * time.Millisecond})
	l.Sample(NewSample(time.Second))
	for range 500 {
		if l.Health().Written == 1 {
			if n := len(collect(t, reader(t, l.Path()).Samples(t.Context(), All))); n != 1 {
				t.Errorf("%d samples", n)
			}
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Error("nothing was committed")
}

// TestEventAtOnce: an event takes what waits with it.
func TestEventAtOnce(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()}) // commits by itself only once an hour
	l.Sample(NewSample(time.Second))
	l.Event(2*time.Second, Event{Kind: "moved"})
	for range 500 {
		if l.Health().Written == 2 {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("%+v", l.Health())
}

func FuzzSecond(f *testing.F) {
	rng := rand.New(rand.NewPCG(14, 14))
	f.Add(encodeSecond(Second{}))
	f.Add(encodeSecond(fullSecond(rng, time.Hour, 10)))
	f.Add([]byte{secondVersion, 0xff, 0xff, 0xff, 0xff, 0xff, 0x0f})
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := decodeSecond(0, b)
		if err != nil {
			return
		}
		again, err := decodeSecond(0, encodeSecond(s))
		if err != nil {
			t.Fatal(err)
		}
		if len(again.Inertial) > len(s.Inertial) || len(again.Magnetic) > len(s.Magnetic) {
			t.Error("samples appeared")
		}
	})
}

// TestSecondLeavesOutNonsense: what is no number is not stored, and breaks nothing.
func TestSecondLeavesOutNonsense(t *testing.T) {
	s := fullSecond(rand.New(rand.NewPCG(15, 15)), time.Minute, 10)
	s.Inertial[3].Accel.X = math.NaN()
	s.Inertial[4].Gyro.Y = math.Inf(1)
	s.Inertial[5].TempC = math.Inf(-1)
	s.Magnetic[1].FieldUT.Z = 1e300
	got, err := decodeSecond(time.Minute, encodeSecond(s))
	if err != nil || len(got.Inertial) != 8 || len(got.Magnetic) != 4 || !math.IsNaN(got.Inertial[3].TempC) {
		t.Errorf("%d and %d samples, %v", len(got.Inertial), len(got.Magnetic), err)
	}
	for cut := range encodeSecond(s) {
		if _, err := decodeSecond(0, encodeSecond(s)[:cut]); err == nil {
			t.Errorf("cut after %d bytes it is taken for whole", cut)
		}
	}
}

// TestExportOfFormulas: a name that a spreadsheet would take for a formula stays
// text in CSV, and is left as it is in JSON.
func TestExportOfFormulas(t *testing.T) {
	for s, want := range map[string]string{
		`=HYPERLINK("http://evil.example")`: `"'=HYPERLINK(""http://evil.example"")"`, "+1": "'+1", "-1": "'-1", "@x": "'@x", "\tx": "'\tx", "\rx": "\"'\rx\"", "a=1": "a=1", "": "", "Lark,moor": `"Lark,moor"`,
	} {
		for f, want := range map[Format]string{CSV: "x\n" + want + "\n", JSONLines: ""} {
			var b strings.Builder
			w := newRowWriter(&b, f, []Field{{Name: "x"}})
			w.text(s)
			if err := errors.Join(w.end(), w.flush()); err != nil {
				t.Fatal(err)
			}
			if f == CSV && b.String() != want {
				t.Errorf("%q in CSV: %q, want %q", s, b.String(), want)
			}
			var row struct{ X string }
			if f == JSONLines && (json.Unmarshal([]byte(b.String()), &row) != nil || row.X != s) {
				t.Errorf("%q in JSON: %q", s, b.String())
			}
		}
	}
}
