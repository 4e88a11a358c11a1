package nightlog

import (
	"database/sql"
	"encoding/json"
	"math"
	"path/filepath"
	"testing"
	"time"
)

// Single cells that were damaged, or edited by hand, cost themselves and no more: the
// night, the events and the samples around them are read.
func TestDamagedCells(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	l := open(t, Options{Dir: dir})
	l.BeginNight(system(time.Second), NightInfo{Site: larkmoor(), Settings: json.RawMessage(`{"aim":"refracted"}`)})
	for k := range 3 {
		s := NewSample(time.Duration(k+2) * time.Second)
		s.State, s.TempC = "steady", 11
		l.Sample(s)
		l.Event(time.Duration(k+2)*time.Second, Event{Kind: "moved", Text: "kick", Numbers: map[string]float64{"size_deg": 0.07}})
	}
	flush(t, l)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, FileName)
	pool, err := sql.Open("sqlite", dsn(path, nil))
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	for _, damage := range []string{
		`UPDATE events SET numbers = '{"size_deg":' WHERE id = (SELECT min(id) FROM events WHERE kind = 'moved')`,
		`UPDATE events SET numbers = '[7]' WHERE id = (SELECT max(id) FROM events WHERE kind = 'moved')`,
		`UPDATE nights SET settings = '{', ended = 5`,
		`UPDATE samples SET temp_mc = 9000000000000000000 WHERE id = (SELECT min(id) FROM samples)`,
	} {
		if _, err := pool.ExecContext(ctx, damage); err != nil {
			t.Fatalf("%s: %v", damage, err)
		}
	}
	r := reader(t, path)
	nights, err := r.Nights(ctx)
	if err != nil || len(nights) != 1 || nights[0].Open || nights[0].Settings != nil {
		t.Fatalf("%+v, %v", nights, err)
	}
	moved := 0
	for _, e := range collect(t, r.Events(ctx, All)) {
		if e.Kind == "moved" {
			if moved++; e.Text != "kick" || (moved == 2) != (e.Numbers["size_deg"] == 0.07) || e.Numbers == nil {
				t.Errorf("event %d: %+v", moved, e)
			}
		}
	}
	samples := collect(t, r.Samples(ctx, All))
	if moved != 3 || len(samples) != 3 || !math.IsNaN(samples[0].TempC) || samples[1].TempC != 11 {
		t.Errorf("%d events, samples %+v", moved, samples)
	}
	if _, err := pool.ExecContext(ctx, `DROP TABLE samples`); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Nights(ctx); KindOf(err) != Broken {
		t.Errorf("without a table: %v", err)
	}
}
