package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"
)

// testEnv is an environment whose output is kept.
func testEnv() (e env, stdout, stderr *bytes.Buffer) {
	stdout, stderr = new(bytes.Buffer), new(bytes.Buffer)
	return env{stdin: strings.NewReader(""), stdout: stdout, stderr: stderr, now: time.Now}, stdout, stderr
}

// The main job, end to end: registers, drivers, calibration, estimate, words,
// hands. More seeds run in deploy/check.
func TestDemoEndsWithinItsOwnBound(t *testing.T) {
	for _, site := range []string{"larkmoor", "dry-lagoon"} {
		for seed := 1; seed <= 4; seed++ {
			t.Run(fmt.Sprintf("%s/%d", site, seed), func(t *testing.T) {
				t.Parallel()
				e, out, errs := testEnv()
				code := run(context.Background(), e, []string{"demo", "--for", "60s", "--speed", "max", "--json",
					"--listen", "127.0.0.1:0", "--site", site, "--seed", fmt.Sprint(seed)})
				if code != 0 {
					t.Fatalf("status %d: %s", code, errs)
				}
				lines := strings.Split(strings.TrimSpace(out.String()), "\n")
				if len(lines) != 1 {
					t.Fatalf("%d lines on stdout, want the result alone", len(lines))
				}
				var r struct {
					Seed  int
					Site  string
					Truth struct {
						Altitude float64 `json:"altitude_deg"`
						Azimuth  float64 `json:"azimuth_deg"`
						Error    float64 `json:"error_deg"`
					}
					Estimate struct {
						Altitude      float64 `json:"altitude_deg"`
						AltitudeSigma float64 `json:"altitude_sigma_deg"`
						Azimuth       float64 `json:"azimuth_deg"`
						AzimuthSigma  float64 `json:"azimuth_sigma_deg"`
					}
					Within95 bool    `json:"within_95"`
					KnobS    float64 `json:"knob_s"`
				}
				if err := json.Unmarshal([]byte(lines[0]), &r); err != nil {
					t.Fatal(err)
				}
				if r.Seed != seed || r.Site != site {
					t.Errorf("result of seed %d at %s", r.Seed, r.Site)
				}
				if !r.Within95 || r.Estimate.AzimuthSigma == 0 || r.Estimate.AzimuthSigma > 5 || r.Estimate.AltitudeSigma > 1 {
					t.Errorf("not within its bound, or a bound that says nothing: %s", lines[0])
				}
				if r.Truth.Error > 3 {
					t.Errorf("the hands ended %.2f° from the pole", r.Truth.Error)
				}
				if d := math.Abs(r.Estimate.Altitude - r.Truth.Altitude); d > 1.96*r.Estimate.AltitudeSigma {
					t.Errorf("altitude off by %.3f° with sigma %.3f°", d, r.Estimate.AltitudeSigma)
				}
			})
		}
	}
}

// urlWriter hands out the address that a command announces.
type urlWriter struct {
	mu  sync.Mutex
	buf bytes.Buffer
	url chan string
}

func (w *urlWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.buf.Write(p)
	for _, f := range strings.Fields(string(p)) {
		if strings.HasPrefix(f, "http://") {
			select {
			case w.url <- f:
			default:
			}
		}
	}
	return len(p), nil
}

func TestDemoServesGuidanceWhileItRuns(t *testing.T) {
	t.Parallel()
	e, _, errs := testEnv()
	w := &urlWriter{url: make(chan string, 1)}
	e.stdout = w
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan int)
	go func() {
		done <- run(ctx, e, []string{"demo", "--for", "600s", "--speed", "20", "--listen", "127.0.0.1:0"})
	}()
	defer func() {
		cancel()
		if code := <-done; code != 0 {
			t.Errorf("status %d after the interrupt: %s", code, errs)
		}
	}()
	var url string
	select {
	case url = <-w.url:
	case <-time.After(20 * time.Second):
		t.Fatal("no address was announced")
	}
	deadline := time.Now().Add(20 * time.Second)
	for {
		g := getGuidance(t, url)
		if g["state"] == "steady" {
			axis := g["axis"].(map[string]any)
			move := g["move"].(map[string]any)
			if axis["altitude_deg"] == nil || axis["azimuth_sigma_deg"] == nil || move["text"] == "" {
				t.Errorf("steady without numbers: %v", g)
			}
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("never steady: %v", g)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func getGuidance(t *testing.T, url string) map[string]any {
	t.Helper()
	r, err := http.Get(url + "api/v1/guidance")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%v, status %d: %s", err, r.StatusCode, body)
	}
	var g map[string]any
	if err := json.Unmarshal(body, &g); err != nil {
		t.Fatal(err)
	}
	return g
}

func TestDemoRefusesWrongUse(t *testing.T) {
	for _, args := range [][]string{
		{"demo", "--site", "nowhere"}, {"demo", "--hands", "three"}, {"demo", "--for", "-1s"},
		{"demo", "--fault", "cat@1s-2s"}, {"demo", "--fault", "bus@2s-1s"}, {"demo", "--fault", "bus"},
		{"demo", "--speed", "0"}, {"demo", "--speed", "fast"}, {"demo", "extra"}, {"demo", "--bogus"},
	} {
		e, _, errs := testEnv()
		if code := run(context.Background(), e, args); code != 2 {
			t.Errorf("%v: status %d", args, code)
		}
		if n := strings.Count(errs.String(), "\n"); n != 1 {
			t.Errorf("%v: %d lines on stderr: %s", args, n, errs)
		}
	}
}

// Pulling the magnetometer away leaves the altitude, and the direction comes
// back by itself; the same on the command line as in the daemon's own tests.
func TestDemoSurvivesTrouble(t *testing.T) {
	t.Parallel()
	for _, what := range []string{"magnetometer", "inertial", "bus"} {
		e, out, errs := testEnv()
		code := run(context.Background(), e, []string{"demo", "--for", "50s", "--speed", "max", "--listen", "127.0.0.1:0",
			"--json", "--fault", what + "@25s-33s"})
		if code != 0 {
			t.Fatalf("%s: status %d: %s", what, code, errs)
		}
		if !strings.Contains(out.String(), `"within_95":true`) {
			t.Errorf("%s: %s", what, out)
		}
		if !strings.Contains(errs.String(), "direction not known") && what == "magnetometer" {
			t.Errorf("%s: the direction was given without a magnetometer: %s", what, errs)
		}
	}
}
