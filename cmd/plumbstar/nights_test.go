package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon/nightlog"
	"plumbstar/sensors"
)

func runLog(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	settings := filepath.Join(t.TempDir(), "plumbstar.toml")
	if err := os.WriteFile(settings, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	code = run(context.Background(), env{stdin: strings.NewReader(""), stdout: &out, stderr: &errs, now: time.Now}, append(args, "--config", settings))
	return code, out.String(), errs.String()
}

// twoNights writes a log; the second night is open, and so is the log.
func twoNights(t *testing.T) (stateDir string) {
	t.Helper()
	dusk := time.Date(2026, 3, 14, 18, 30, 0, 0, time.UTC)
	moment := func(at time.Duration) nightlog.Moment {
		return nightlog.Moment{At: at, UTC: dusk.Add(at), SigmaS: 0.5, Source: "system"}
	}
	dir := t.TempDir()
	l := nightlog.Start(nightlog.Options{Dir: dir, Opened: moment(0)})
	t.Cleanup(func() { _ = l.Close() })
	l.BeginNight(moment(0), nightlog.NightInfo{Name: "clear", Note: "two\nlines", Site: &nightlog.Site{Name: "Larkmoor", LatDeg: 51.9, LonDeg: 8.4}})
	l.Sample(nightlog.NewSample(time.Minute))
	l.Sample(nightlog.NewSample(2 * time.Minute))
	l.FullRate(nightlog.Second{At: time.Minute, Inertial: []sensors.InertialSample{{At: time.Minute, Accel: r3.Vec{Z: 9.8}}}})
	l.EndNight(moment(90 * time.Minute))
	l.BeginNight(moment(24*time.Hour), nightlog.NightInfo{Name: "cloudy"})
	l.Sample(nightlog.NewSample(24*time.Hour + time.Minute))
	if err := l.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestNightsCommand(t *testing.T) {
	dir := twoNights(t)
	code, out, errs := runLog(t, "nights", "--state-dir", dir)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if code != 0 || len(lines) != 3 || !strings.Contains(lines[1], "2026-03-14 18:30  2026-03-14 20:00  1.5    Larkmoor  clear   two lines") || !strings.Contains(lines[2], "open") {
		t.Errorf("exit %d %s\n%s", code, errs, out)
	}
	code, out, errs = runLog(t, "nights", "--json", "--state-dir", dir)
	var list []struct {
		Night    int
		Name     string
		Site     *string
		Open     bool
		BeginUTC time.Time `json:"begin_utc"`
		Sigma    *float64  `json:"clock_sigma_s"`
	}
	if err := json.Unmarshal([]byte(out), &list); code != 0 || err != nil || len(list) != 2 {
		t.Fatalf("exit %d %s %v\n%s", code, errs, err, out)
	}
	if n := list[0]; n.Night != 1 || n.Name != "clear" || n.Site == nil || n.Open || n.Sigma == nil || n.BeginUTC.Hour() != 18 {
		t.Errorf("%+v", n)
	}
	if n := list[1]; n.Site != nil || !n.Open {
		t.Errorf("%+v", n)
	}
}

func TestExportCommand(t *testing.T) {
	dir := twoNights(t)
	for _, c := range []struct {
		args []string
		rows int
	}{
		{nil, 1},
		{[]string{"last"}, 1},
		{[]string{"1"}, 2},
		{[]string{"all"}, 3},
		{[]string{"all", "--table", "nights"}, 2},
		{[]string{"1", "--table", "full-rate"}, 1},
		{[]string{"--table", "sites"}, 1},
	} {
		args := append([]string{"export", "--state-dir", dir}, c.args...)
		code, out, errs := runLog(t, args...)
		rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
		if code != 0 || err != nil || len(rows) != c.rows+1 {
			t.Errorf("%v: exit %d %s %v, %d rows", c.args, code, errs, err, len(rows)-1)
		}
		code, out, errs = runLog(t, append(args, "--format", "jsonl")...)
		if n := strings.Count(out, "\n"); code != 0 || n != c.rows || !json.Valid([]byte(out[:strings.Index(out, "\n")])) {
			t.Errorf("%v as JSON lines: exit %d %s, %d lines", c.args, code, errs, n)
		}
	}
	code, out, _ := runLog(t, "export", "--dictionary")
	if code != 0 || !strings.Contains(out, "[samples]") || !strings.Contains(out, "axis_azimuth_deg") {
		t.Errorf("dictionary: exit %d\n%s", code, out)
	}
	code, out, _ = runLog(t, "export", "--dictionary", "--format", "csv")
	if rows, err := csv.NewReader(strings.NewReader(out)).ReadAll(); code != 0 || err != nil || len(rows) != len(nightlog.Dictionary())+1 {
		t.Errorf("dictionary as CSV: exit %d %v, %d rows", code, err, len(rows))
	}
}

func TestBackupCommand(t *testing.T) {
	dir := twoNights(t)
	file := filepath.Join(t.TempDir(), "copy.db")
	if code, out, errs := runLog(t, "backup", file, "--state-dir", dir); code != 0 || !strings.Contains(out, file) {
		t.Fatalf("exit %d %s %s", code, out, errs)
	}
	// A path relative to where the user stands.
	t.Chdir(t.TempDir())
	if code, _, errs := runLog(t, "backup", "copy #1?.db", "--state-dir", dir); code != 0 {
		t.Errorf("relative: exit %d %s", code, errs)
	}
	if code, out, errs := runLog(t, "nights", "--from", "copy #1?.db"); code != 0 || !strings.Contains(out, "cloudy") {
		t.Errorf("nights of a relative copy: exit %d %s\n%s", code, errs, out)
	}
	if code, _, errs := runLog(t, "nights", "--from", "none.db"); code != 1 || !strings.Contains(errs, "plumbstar backup makes one") {
		t.Errorf("no such copy: exit %d %s", code, errs)
	}
	if code, _, errs := runLog(t, "backup", file, "--state-dir", dir); code != 1 || !strings.Contains(errs, "another name") {
		t.Errorf("twice: exit %d %s", code, errs)
	}
	if code, out, errs := runLog(t, "export", "1", "--from", file); code != 0 || strings.Count(out, "\n") != 3 {
		t.Errorf("export from the copy: exit %d %s\n%s", code, errs, out)
	}
	if code, out, errs := runLog(t, "nights", "--from", file); code != 0 || !strings.Contains(out, "cloudy") {
		t.Errorf("nights of the copy: exit %d %s\n%s", code, errs, out)
	}
}

func TestNightReportCommand(t *testing.T) {
	dir := twoNights(t)
	code, out, errs := runLog(t, "nights", "report", "1", "--state-dir", dir)
	if code != 0 || !strings.HasPrefix(out, "<!DOCTYPE html>") || !strings.Contains(out, "Night 1: clear") {
		t.Errorf("exit %d %s\n%.300s", code, errs, out)
	}
	code, out, errs = runLog(t, "nights", "report", "--lang", "de", "--red", "--state-dir", dir)
	if code != 0 || !strings.Contains(out, "Nacht 2: cloudy") || !strings.Contains(out, `checked="checked"`) {
		t.Errorf("exit %d %s\n%.300s", code, errs, out)
	}
}

func TestLogCommandsWrongUse(t *testing.T) {
	dir := t.TempDir()
	text := filepath.Join(dir, "text")
	if err := os.WriteFile(text, []byte(strings.Repeat("no database ", 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		code int
		args []string
		says string
	}{
		{2, []string{"nights", "extra"}, "no argument"},
		{2, []string{"export", "1", "2"}, "one night"},
		{2, []string{"nights", "report", "1", "2"}, "one night"},
		{2, []string{"nights", "report", "all"}, "or last"},
		{2, []string{"nights", "report", "--lang", "x"}, "en de"},
		{1, []string{"nights", "report", "7", "--state-dir", twoNights(t)}, "no such night"},
		{2, []string{"export", "0"}, "plumbstar nights"},
		{2, []string{"export", "x"}, "plumbstar nights"},
		{2, []string{"export", "--table", "x"}, "samples"},
		{2, []string{"export", "--format", "x"}, "jsonl"},
		{2, []string{"export", "1", "--dictionary"}, "no night"},
		{2, []string{"backup"}, "one file"},
		{1, []string{"nights", "--state-dir", dir}, "start the daemon once"},
		{1, []string{"export", "--state-dir", dir}, "start the daemon once"},
		{1, []string{"backup", filepath.Join(dir, "x.db"), "--state-dir", dir}, "start the daemon once"},
		{1, []string{"nights", "--from", text}, "no night log"},
		{1, []string{"export", "7", "--state-dir", twoNights(t)}, "no such night"},
	} {
		code, out, errs := runLog(t, c.args...)
		if code != c.code || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 || out != "" {
			t.Errorf("%v: exit %d, %q %q; want exit %d and %q", c.args, code, errs, out, c.code, c.says)
		}
	}
}
