package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
	"time"
)

func runSimulate(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(context.Background(), env{stdin: strings.NewReader(""), stdout: &out, stderr: &errs, now: time.Now}, append([]string{"simulate", "--watch"}, args...))
	return code, out.String(), errs.String()
}

// The result depends on seed and number of nights, not on how many run at a time.
func TestSimulateWatch(t *testing.T) {
	var first string
	for _, workers := range []string{"1", "3"} {
		code, out, errs := runSimulate(t, "--nights", "4", "--seed", "5", "--json", "--workers", workers)
		if code != 0 {
			t.Fatalf("exit %d: %s", code, errs)
		}
		if first == "" {
			first = out
		} else if out != first {
			t.Errorf("with %s workers\n%swith one\n%s", workers, out, first)
		}
	}
	var res struct {
		Nights int
		Watch  struct {
			Knocks int
			Seen   float64 `json:"seen_in_2s"`
			False  float64 `json:"false_alarms_per_100_nights"`
			Found  float64 `json:"found_before_0_1_deg"`
		}
	}
	if err := json.Unmarshal([]byte(first), &res); err != nil {
		t.Fatalf("%v in %s", err, first)
	}
	if res.Nights != 4 || res.Watch.Knocks != 16 || res.Watch.Seen != 1 || res.Watch.False != 0 || res.Watch.Found != 1 {
		t.Errorf("got %+v from %s", res, first)
	}
}

func TestSimulateWatchTable(t *testing.T) {
	code, out, errs := runSimulate(t, "--nights", "1", "--board-on", "head")
	if code != 0 || !strings.Contains(out, "seen within 2 s              100.000 %") {
		t.Errorf("exit %d: %s%s", code, out, errs)
	}
	for _, wrong := range [][]string{{"--board-on", "moon"}, {"--nights", "0"}, {"--workers", "-1"}} {
		if code, _, errs := runSimulate(t, wrong...); code != 2 || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: exit %d: %s", wrong, code, errs)
		}
	}
}
