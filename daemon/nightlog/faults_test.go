package nightlog

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// grab hands the writer's connection to the test, which may use it while no
// commit is under way.
type grab struct{ conn **sql.Conn }

func (g grab) apply(t *tx) error {
	*g.conn = t.conn
	return nil
}

func connection(t testing.TB, l *Log) *sql.Conn {
	t.Helper()
	var c *sql.Conn
	if err := l.wait(t.Context(), "grab", grab{&c}); err != nil {
		t.Fatal(err)
	}
	return c
}

func execute(t testing.TB, c *sql.Conn, query string) {
	t.Helper()
	if _, err := c.ExecContext(t.Context(), query); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}

// TestFull: the database may not grow. Records wait, callers are told, nothing
// committed is lost, and with room again all goes on.
func TestFull(t *testing.T) {
	ctx := t.Context()
	var messages bytes.Buffer
	l := open(t, Options{Dir: t.TempDir(), Log: slog.New(slog.NewTextHandler(&messages, nil))})
	l.BeginNight(system(0), NightInfo{})
	l.Sample(NewSample(time.Second))
	conn := connection(t, l)
	execute(t, conn, "PRAGMA max_page_count = 1") // SQLite takes the present size
	rng := rand.New(rand.NewPCG(2, 2))
	for i := range 300 {
		l.Sample(plausible(rng, time.Duration(2+i)*time.Second))
	}
	if err := l.Flush(ctx); KindOf(err) != Full || !strings.Contains(err.Error(), "free some space") {
		t.Fatalf("on a full disk: %v", err)
	}
	if _, err := l.AddCalibration(ctx, 0, Calibration{Data: json.RawMessage(`1`)}); KindOf(err) != Full {
		t.Fatalf("a calibration on a full disk: %v", err)
	}
	for i := range 5 {
		l.Event(time.Duration(i)*time.Second, Event{Kind: "moved", Text: "a kick"})
	}
	h := l.Health()
	if h.Problem == nil || h.Problem.Kind != Full || h.Waiting != 305 || h.Written == 0 {
		t.Errorf("health %+v", h)
	}
	for _, says := range []string{"disk is full", "guidance goes on", "305 records wait"} {
		if !strings.Contains(h.Text, says) {
			t.Errorf("health says %q, not %q", h.Text, says)
		}
	}
	// Much more than fits in memory: the caller never waits, the rest is counted.
	for i := range 10 * maxSamples {
		l.Sample(NewSample(time.Duration(1000+i) * time.Second))
	}
	second := fullSecond(rng, 0, 100)
	for range 1300 { // 2 kB each
		l.FullRate(second)
	}
	h = l.Health()
	if want := uint64(10*maxSamples - (maxSamples - 300)); h.Dropped < want {
		t.Errorf("%d dropped, want %d and full-rate data", h.Dropped, want)
	}
	l.mu.Lock()
	if l.waiting[classSample] != maxSamples || l.waiting[classFullRate] > maxFullRateBytes {
		t.Errorf("waiting %v", l.waiting)
	}
	l.mu.Unlock()
	r := reader(t, l.Path())
	if n := len(collect(t, r.Samples(ctx, All))); n != 1 {
		t.Errorf("%d samples before the disk was full are left", n)
	}
	r.Close()

	execute(t, conn, "PRAGMA max_page_count = 1000000") // room again
	flush(t, l)
	flush(t, l) // for the log's own event
	h = l.Health()
	if h.Problem != nil || h.Text != "" {
		t.Errorf("after room was made: %+v", h)
	}
	r = reader(t, l.Path())
	if n := len(collect(t, r.Samples(ctx, All))); n != 1+maxSamples {
		t.Errorf("%d samples, want %d", n, 1+maxSamples)
	}
	last := ""
	for _, e := range collect(t, r.Events(ctx, All)) {
		last = e.Kind
	}
	if last != "log-resumed" {
		t.Errorf("the last event is %q", last)
	}
	if n := strings.Count(messages.String(), "level=ERROR"); n != 1 {
		t.Errorf("%d error messages, want one:\n%s", n, messages.String())
	}
}

// TestBroken: whatever is wrong with the file, it is kept under another name, a
// new one begins, and what can be read of the calibrations goes along.
func TestBroken(t *testing.T) {
	ctx := t.Context()
	for _, c := range []struct {
		name    string
		damage  func(t *testing.T, path string)
		rescued bool
	}{
		{"text", func(t *testing.T, path string) { write(t, path, []byte(strings.Repeat("this is no database ", 1000))) }, false},
		{"another program's database", func(t *testing.T, path string) {
			remove(t, path)
			pool, err := sql.Open("sqlite", dsn(path, nil))
			if err != nil {
				t.Fatal(err)
			}
			defer pool.Close()
			if _, err := pool.ExecContext(t.Context(), "CREATE TABLE theirs (x)"); err != nil {
				t.Fatal(err)
			}
		}, false},
		{"header overwritten", func(t *testing.T, path string) { scribble(t, path, 0, 100) }, false},
		{"cut short", func(t *testing.T, path string) {
			if err := os.Truncate(path, 10000); err != nil {
				t.Fatal(err)
			}
		}, false},
		{"samples overwritten", func(t *testing.T, path string) {
			scribble(t, path, (rootPage(t, path, "samples")-1)*pageBytes, pageBytes)
		}, true},
		{"runs overwritten", func(t *testing.T, path string) {
			scribble(t, path, (rootPage(t, path, "runs")-1)*pageBytes, pageBytes)
		}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			l := open(t, Options{Dir: dir})
			l.BeginNight(system(0), NightInfo{Name: "before", Site: larkmoor()})
			rng := rand.New(rand.NewPCG(3, 3))
			for i := range 500 {
				l.Sample(plausible(rng, time.Duration(i)*time.Second))
			}
			l.KeepAlarm(KeptAlarm{Way: "webhook", Name: "1", Message: "{}"})
			first, err := l.AddCalibration(ctx, 7*time.Second, Calibration{Kind: "compass", Chip: "x", Data: json.RawMessage(`{"a":1}`), SigmaDeg: 1, TempC: 2, Site: larkmoor()})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := l.AddCalibration(ctx, 8*time.Second, Calibration{Kind: "compass", Data: json.RawMessage(`{"a":2}`), Supersedes: first}); err != nil {
				t.Fatal(err)
			}
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			c.damage(t, l.Path())
			damaged := read(t, l.Path())

			l = open(t, Options{Dir: dir})
			l.BeginNight(system(100*time.Second), NightInfo{Name: "after"})
			l.Sample(NewSample(101 * time.Second))
			flush(t, l)
			flush(t, l) // for the log's own event
			h := l.Health()
			if h.Problem != nil || len(h.Aside) != 1 || h.Aside[0] != l.Path()+".broken-1" {
				t.Fatalf("health %+v", h)
			}
			if !c.rescued && !bytes.Equal(read(t, h.Aside[0]), damaged) {
				t.Error("the broken file was changed")
			}
			r := reader(t, l.Path())
			list, err := r.Nights(ctx)
			if err != nil || len(list) != 1 || list[0].Name != "after" {
				t.Errorf("nights %+v %v", list, err)
			}
			cal, err := r.Calibrations(ctx)
			if err != nil {
				t.Fatal(err)
			}
			if got := names(t, l); c.rescued != (len(got) == 1) {
				t.Errorf("alarms that wait: %v", got)
			}
			if !c.rescued {
				if len(cal) != 0 || h.Rescued != 0 {
					t.Errorf("calibrations out of nowhere: %+v", cal)
				}
				return
			}
			if h.Rescued != 3 || len(cal) != 2 || string(cal[0].Data) != `{"a":1}` || cal[0].SupersededBy != cal[1].ID || cal[0].Site == nil {
				t.Fatalf("rescued %d: %+v", h.Rescued, cal)
			}
			if c.name == "samples overwritten" && cal[0].UTC != dusk.Add(7*time.Second) {
				t.Errorf("rescued calibration is dated %v", cal[0].UTC)
			}
			found := false
			for _, e := range collect(t, r.Events(ctx, All)) {
				found = found || e.Kind == "log-set-aside" && e.Numbers["rescued"] == 3
			}
			if !found {
				t.Error("no event says that the file was set aside")
			}
		})
	}
}

// TestBreaksWhileOpen: the file is damaged under a running log, which goes on in
// a new one, with the night under way.
func TestBreaksWhileOpen(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	l := open(t, Options{Dir: dir})
	l.BeginNight(system(0), NightInfo{Name: "under way", Site: larkmoor()})
	rng := rand.New(rand.NewPCG(4, 4))
	for i := range 1500 {
		l.Sample(plausible(rng, time.Duration(i)*time.Second))
	}
	flush(t, l)
	conn := connection(t, l)
	execute(t, conn, "PRAGMA wal_checkpoint(TRUNCATE)")
	scribble(t, l.Path(), (rootPage(t, l.Path(), "samples")-1)*pageBytes, pageBytes)
	execute(t, conn, "PRAGMA shrink_memory") // forget the sound pages
	for i := range 1500 {
		l.Sample(plausible(rng, time.Duration(2000+i)*time.Second))
	}
	flush(t, l)
	flush(t, l)
	h := l.Health()
	if h.Problem != nil || len(h.Aside) != 1 {
		t.Fatalf("health %+v", h)
	}
	r := reader(t, l.Path())
	list, err := r.Nights(ctx)
	if err != nil || len(list) != 1 || list[0].Name != "under way" || list[0].Site == nil {
		t.Fatalf("nights %+v %v", list, err)
	}
	if n := len(collect(t, r.Samples(ctx, list[0].ID))); n != 1500 {
		t.Errorf("%d samples of the batch that met the damage, want 1500", n)
	}
}

// TestAlwaysBroken: a disk that breaks every file does not fill itself with
// broken files.
func TestAlwaysBroken(t *testing.T) {
	dir := t.TempDir()
	l := open(t, Options{Dir: dir})
	flush(t, l)
	for range 6 {
		l.Sample(NewSample(time.Second))
		_ = l.wait(t.Context(), "break", brokenOp{})
	}
	entries, err := filepath.Glob(filepath.Join(dir, "*.broken-*"))
	if err != nil || len(entries) > 3*maxAside || len(l.Health().Aside) != maxAside {
		t.Errorf("%v %v", entries, err)
	}
	if h := l.Health(); h.Problem == nil || h.Problem.Kind != Broken {
		t.Errorf("health %+v", h)
	}
}

type brokenOp struct{}

func (brokenOp) apply(*tx) error { return &Error{Kind: Broken, Err: errors.New("invented")} }

// TestNewer: the file of a later version is left as it is; records wait.
func TestNewer(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	path := filepath.Join(dir, FileName)
	later := append(migrations(), "CREATE TABLE future (x INTEGER) STRICT;")
	db, err := openDatabase(ctx, path, later)
	if err != nil {
		t.Fatal(err)
	}
	db.close()
	before := read(t, path)
	l := open(t, Options{Dir: dir})
	l.Sample(NewSample(time.Second))
	if err := l.Flush(ctx); KindOf(err) != Newer || !strings.Contains(err.Error(), "update this one") {
		t.Errorf("%v", err)
	}
	if h := l.Health(); h.Problem == nil || h.Problem.Kind != Newer || !strings.Contains(h.Text, "guidance goes on") || len(h.Aside) != 0 {
		t.Errorf("%+v", h)
	}
	if err := l.Close(); KindOf(err) != Newer {
		t.Errorf("closing with a record that was not stored: %v", err)
	}
	if !bytes.Equal(read(t, path), before) {
		t.Error("the file of a later version was changed")
	}
	if _, err := OpenReader(ctx, path); KindOf(err) != Newer {
		t.Errorf("reader: %v", err)
	}
}

// TestMigration: an older file is brought forward with what it holds; a step that
// fails leaves it as it was.
func TestMigration(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	path := filepath.Join(dir, FileName)
	one := []string{"CREATE TABLE a (x INTEGER) STRICT; INSERT INTO a VALUES (7);"}
	pool, err := sql.Open("sqlite", dsn(path, nil))
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	conn, err := pool.Conn(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := migrate(ctx, conn, 0, one); err != nil {
		t.Fatal(err)
	}
	bad := append(one, "ALTER TABLE a ADD COLUMN y INTEGER; CREATE TABLE a (x INTEGER);")
	if err := migrate(ctx, conn, 1, bad); err == nil {
		t.Fatal("a step that cannot work did")
	}
	if id, err := identify(ctx, conn); err != nil || id.version != 1 || !id.ours {
		t.Errorf("after a failed step: %+v %v", id, err)
	}
	good := append(one, "ALTER TABLE a ADD COLUMN y INTEGER DEFAULT 8;", "CREATE TABLE b (x INTEGER) STRICT;")
	if err := migrate(ctx, conn, 1, good); err != nil {
		t.Fatal(err)
	}
	var x, y, version int
	if err := conn.QueryRowContext(ctx, "SELECT x, y, user_version FROM a, pragma_user_version").Scan(&x, &y, &version); err != nil || x != 7 || y != 8 || version != 3 {
		t.Errorf("%d %d version %d, %v", x, y, version, err)
	}
}

// TestCannotBeWritten: no directory, or a directory where the file should be.
func TestCannotBeWritten(t *testing.T) {
	missing := open(t, Options{Dir: filepath.Join(t.TempDir(), "none")})
	missing.Sample(NewSample(time.Second))
	if err := missing.Flush(t.Context()); KindOf(err) != Missing {
		t.Errorf("no directory: %v", err)
	}
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, FileName), 0o700); err != nil {
		t.Fatal(err)
	}
	blocked := open(t, Options{Dir: dir})
	blocked.Sample(NewSample(time.Second))
	if err := blocked.Flush(t.Context()); KindOf(err) != ReadOnly {
		t.Errorf("a directory in its place: %v", err)
	}
	remove(t, filepath.Join(dir, FileName))
	flush(t, blocked)
	if h := blocked.Health(); h.Problem != nil {
		t.Errorf("after the place was free: %+v", h)
	}
	if _, err := OpenReader(t.Context(), filepath.Join(t.TempDir(), FileName)); KindOf(err) != Missing {
		t.Errorf("reading nothing: %v", err)
	}
}

// TestCallerStopsWaiting: a context that ends frees the caller.
func TestCallerStopsWaiting(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := l.Flush(ctx); err != nil && !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func write(t testing.TB, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func remove(t testing.TB, path string) {
	t.Helper()
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
}

// rootPage is the number of a table's first page.
func rootPage(t testing.TB, path, table string) (page int64) {
	t.Helper()
	pool, err := sql.Open("sqlite", dsn(path, url.Values{"mode": {"ro"}}))
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	if err := pool.QueryRowContext(t.Context(), "SELECT rootpage FROM sqlite_schema WHERE name = ?", table).Scan(&page); err != nil {
		t.Fatal(err)
	}
	return page
}

// scribble overwrites part of a file with noise.
func scribble(t testing.TB, path string, at int64, n int) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	noise := make([]byte, n)
	rng := rand.New(rand.NewPCG(5, 5))
	for i := range noise {
		noise[i] = byte(rng.Uint32())
	}
	if _, err := f.WriteAt(noise, at); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}
