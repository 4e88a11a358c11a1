package main

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/daemon"
	"plumbstar/daemon/nightlog"
	"plumbstar/sensors/calib"
)

func openState(t *testing.T, dir string) (*boardState, *nightlog.Log) {
	t.Helper()
	clock := newRealClock()
	l := nightlog.Start(nightlog.Options{Dir: dir, Opened: nightlog.Moment{At: clock.Now(), UTC: time.Date(2027, 1, 15, 18, 0, 0, 0, time.UTC), SigmaS: 1, Source: "entered"}})
	t.Cleanup(func() { _ = l.Close() })
	return newBoardState(l, dir, clock), l
}

// What is kept comes back after a restart, all of it, in order; a later row takes
// the place of an earlier one and leaves it as it is.
func TestBoardStateKeepsRows(t *testing.T) {
	dir := t.TempDir()
	b, l := openState(t, dir)
	if c, err := b.Calibrations(); err != nil || len(c) != 0 {
		t.Fatalf("an empty log: %v, %v", c, err)
	}
	temp := 11.5
	site := astro.Site{LatDeg: 51.9, LonDeg: 8.4, HeightM: 210}
	a := calib.Uncalibrated(calib.Magnetometer, 0.2, 0.003)
	a.Offset, a.RefTempC = r3.Vec{X: 12.5, Y: -3, Z: 1}, 20
	chips := daemon.Mount{{Y: 1}, {X: 1}, {Z: -1}}
	record := func(offset float64) *daemon.CalibrationRecord {
		c := a
		c.Offset.X = offset
		return &daemon.CalibrationRecord{
			Time: time.Now(), TimeSure: true, Part: daemon.PartCompass, Method: daemon.CalibrateBoard, Board: "X at 0x1c with Y at 0x68", Chips: &chips,
			TempC: &temp, Site: &site, Affine: &c, SigmaDeg: 0.3, Figures: []daemon.Figure{{Name: "coverage", Text: "seen", Value: 0.9}},
		}
	}
	first, second := record(12.5), record(13.5)
	axis := &daemon.CalibrationRecord{Part: daemon.PartAxis, Method: daemon.CalibrateHead, Board: "Y at 0x68", Axis: &daemon.AxisRecord{Direction: r3.Vec{X: 1}, SigmaDeg: 0.05}, SigmaDeg: 0.05}
	for _, c := range []*daemon.CalibrationRecord{first, second, axis} {
		if err := b.AddCalibration(c); err != nil || c.ID == 0 {
			t.Fatalf("%v, id %d", err, c.ID)
		}
	}
	s := &daemon.SightingRecord{Kind: daemon.SightMoon, How: daemon.SightAlong, Body: "Moon", Altitude: &daemon.Angle{Deg: 31, SigmaDeg: 0.3}, Site: &site}
	if err := b.AddSighting(s); err != nil || s.ID == 0 {
		t.Fatalf("%v, id %d", err, s.ID)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}

	b, _ = openState(t, dir)
	got, err := b.Calibrations()
	if err != nil || len(got) != 3 {
		t.Fatalf("%d calibrations, %v", len(got), err)
	}
	if got[0].Affine.Offset.X != 12.5 || got[1].Affine.Offset.X != 13.5 || got[1].ID != second.ID || *got[1].Chips != chips || *got[1].TempC != temp || *got[1].Site != site {
		t.Errorf("%+v\n%+v", got[0], got[1])
	}
	if got[1].Affine.Cov != a.Cov || got[1].Affine.RefTempC != 20 || !got[1].TimeSure || got[1].Time.Year() != 2027 {
		t.Errorf("%+v", got[1])
	}
	if got[2].Axis.Direction != (r3.Vec{X: 1}) || got[2].TempC != nil {
		t.Errorf("%+v", got[2])
	}
	sights, err := b.Sightings()
	if err != nil || len(sights) != 1 || sights[0].Body != "Moon" || sights[0].Azimuth != nil || sights[0].Altitude.Deg != 31 || sights[0].InUse {
		t.Errorf("%+v, %v", sights, err)
	}
	// A third one, after the restart, follows the second.
	third := record(14.5)
	if err := b.AddCalibration(third); err != nil {
		t.Fatal(err)
	}
	r, err := nightlog.OpenReader(context.Background(), filepath.Join(dir, nightlog.FileName))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	rows, err := r.Calibrations(context.Background())
	if err != nil || len(rows) != 4 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	if rows[0].SupersededBy != second.ID || rows[1].Supersedes != first.ID || rows[3].Supersedes != second.ID || rows[2].Supersedes != 0 || math.Abs(rows[0].SigmaDeg-0.3) > 1e-12 || !strings.Contains(string(rows[0].Data), "12.5") {
		t.Errorf("%+v", rows)
	}
}

// A row that was damaged or edited by hand comes back marked, with part and board of
// its own columns, and the sound rows come with it.
func TestBoardStateDamagedRows(t *testing.T) {
	b, l := openState(t, t.TempDir())
	sound := &daemon.CalibrationRecord{Part: daemon.PartAxis, Board: "Y at 0x68", Axis: &daemon.AxisRecord{Direction: r3.Vec{X: 1}, SigmaDeg: 0.05}, SigmaDeg: 0.05}
	if err := b.AddCalibration(sound); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{`{"part":"axis","board":"Y at 0x68","axis":7}`, `{"part":"compass","board":"Y at 0x68"}`, `{"part":"axis","board":"Z at 0x69"}`} {
		row := nightlog.Calibration{Kind: "axis", Chip: "Y at 0x68", Data: json.RawMessage(text), SigmaDeg: 0.05, TempC: math.NaN()}
		if _, err := l.AddCalibration(t.Context(), b.clock.Now(), row); err != nil {
			t.Fatal(err)
		}
	}
	got, err := b.Calibrations()
	if err != nil || len(got) != 4 || got[0].Check() != nil {
		t.Fatalf("%d rows, %v, %v", len(got), err, got[0].Check())
	}
	for _, c := range got[1:] {
		if c.Damaged == "" || c.Check() == nil || c.Part != daemon.PartAxis || c.Board != "Y at 0x68" || c.Axis != nil {
			t.Errorf("%+v", c)
		}
	}
}

func TestBoardStateDocuments(t *testing.T) {
	dir := t.TempDir()
	b, _ := openState(t, dir)
	if text, err := b.Document("kit"); text != nil || err != nil {
		t.Errorf("no document: %s, %v", text, err)
	}
	for _, text := range []string{`{"a":1}`, `{"a":2}`} {
		if err := b.PutDocument("kit", json.RawMessage(text)); err != nil {
			t.Fatal(err)
		}
		if got, err := b.Document("kit"); err != nil || strings.TrimSpace(string(got)) != text {
			t.Errorf("%s, %v", got, err)
		}
	}
	info, err := os.Stat(filepath.Join(dir, "kit.json"))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	names, err := filepath.Glob(filepath.Join(dir, ".kit-*"))
	if err != nil || len(names) != 0 {
		t.Errorf("left behind: %v", names)
	}
	if err := os.WriteFile(filepath.Join(dir, "kit.json"), []byte("{broken"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Document("kit"); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("%v", err)
	}
	if err := newBoardState(nil, filepath.Join(dir, "gone"), newRealClock()).PutDocument("kit", json.RawMessage("1")); err == nil {
		t.Error("written into a directory that does not exist")
	}
}
