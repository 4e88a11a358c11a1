package estimator

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors/recorded"
)

const broad = "../../testdata/imu/broad"

// recording is one BROAD file, see the README there.
type recording struct {
	name string
	rows []recorded.Row
}

func (r *recording) slow() bool { return !strings.Contains(r.name, "_disturbed_") }

func readRecordings(t *testing.T) []recording {
	t.Helper()
	recs, err := broadRecordings()
	if err != nil {
		t.Fatal(err)
	}
	return recs
}

// broadRecordings is read once for all tests, which do not change it.
var broadRecordings = sync.OnceValues(func() ([]recording, error) {
	paths, err := filepath.Glob(broad + "/*.csv.gz")
	if err != nil || len(paths) != 8 {
		return nil, fmt.Errorf("%d recordings in %s, 8 expected: %w", len(paths), broad, err)
	}
	var out []recording
	for _, p := range paths {
		f, err := os.Open(p)
		if err != nil {
			return nil, err
		}
		rec := recording{name: strings.TrimSuffix(filepath.Base(p), ".csv.gz")}
		r, err := recorded.NewReader(f)
		for err == nil {
			var row recorded.Row
			if row, err = r.Next(); err == nil {
				rec.rows = append(rec.rows, row)
			}
		}
		f.Close()
		if !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%s: %w", p, err)
		}
		out = append(out, rec)
	}
	return out, nil
})

// backwards is the recording played from its end to its start: the same
// places, so the same specific force and field, at the opposite rates. The
// filter meets other errors at other times. (The constants were chosen on both
// directions together.)
func (r *recording) backwards() recording {
	n := len(r.rows)
	out := recording{name: r.name + " backwards", rows: make([]recorded.Row, n)}
	end := r.rows[n-1].T
	for k := range n {
		row := r.rows[n-1-k]
		row.T = end - row.T
		if k > 0 {
			// The means over the block that now leads to this row's time.
			row.Inertial = r.rows[n-k].Inertial
			row.Magnetic = r.rows[n-k].Magnetic
		}
		row.Inertial.Gyro = r3.Scale(-1, row.Inertial.Gyro)
		out.rows[k] = row
	}
	return out
}

// score is the metric of the benchmark over moving = 1: root mean squares in
// degrees, and the share of rows within the stated 95 % bounds.
type score struct {
	heading, inclination           float64
	headingCover, inclinationCover float64
}

func (r *recording) score(f *Filter) score {
	var s score
	var n float64
	for k := range r.rows {
		row := &r.rows[k]
		f.Inertial(row.T, row.Inertial.Accel, row.Inertial.Gyro)
		if row.HasMagnetic {
			f.Magnetic(row.T, row.Magnetic.FieldUT)
		}
		if !row.HasTruth || !row.Moving {
			continue
		}
		h, i := attitudeErrors(f.Attitude(), row.Truth)
		s.heading += h * h
		s.inclination += i * i
		n++
		if math.Abs(h) <= 1.96*f.HeadingSigma() {
			s.headingCover++
		}
		if i <= 2.45*f.InclinationSigma() {
			s.inclinationCover++
		}
	}
	s.heading = math.Sqrt(s.heading/n) / degree
	s.inclination = math.Sqrt(s.inclination/n) / degree
	s.headingCover /= n
	s.inclinationCover /= n
	return s
}

// scores runs a fresh filter over each recording.
func scores(recs []recording, filter func() *Filter) []score {
	out := make([]score, len(recs))
	for k := range recs {
		out[k] = recs[k].score(filter())
	}
	return out
}

// means are those of the slow and of the disturbed recordings.
func means(recs []recording, of []score) (slow, disturbed score) {
	var n, m float64
	for k, s := range of {
		to, count := &disturbed, &m
		if recs[k].slow() {
			to, count = &slow, &n
		}
		to.heading += s.heading
		to.inclination += s.inclination
		to.headingCover += s.headingCover
		to.inclinationCover += s.inclinationCover
		*count++
	}
	div := func(s *score, n float64) {
		s.heading, s.inclination = s.heading/n, s.inclination/n
		s.headingCover, s.inclinationCover = s.headingCover/n, s.inclinationCover/n
	}
	div(&slow, n)
	div(&disturbed, m)
	return slow, disturbed
}

// Means of the best other filter of peers.json: VQF in all four.
const (
	peerSlowHeading, peerSlowInclination           = 1.05, 0.44
	peerDisturbedHeading, peerDisturbedInclination = 2.43, 1.49
)

func checkMeans(t *testing.T, slow, disturbed score) {
	t.Helper()
	t.Logf("mean of slow:      heading %.2f inclination %.2f, within the bounds %.2f %.2f", slow.heading, slow.inclination, slow.headingCover, slow.inclinationCover)
	t.Logf("mean of disturbed: heading %.2f inclination %.2f, within the bounds %.2f %.2f", disturbed.heading, disturbed.inclination, disturbed.headingCover, disturbed.inclinationCover)
	if slow.heading > peerSlowHeading || slow.inclination > peerSlowInclination {
		t.Errorf("slow recordings: %.2f and %.2f°, the best other filter has %.2f and %.2f°", slow.heading, slow.inclination, peerSlowHeading, peerSlowInclination)
	}
	if disturbed.heading > 0.9*peerDisturbedHeading || disturbed.inclination > peerDisturbedInclination {
		t.Errorf("disturbed recordings: %.2f and %.2f°, the best other filter has %.2f and %.2f°", disturbed.heading, disturbed.inclination, peerDisturbedHeading, peerDisturbedInclination)
	}
}

// TestFilterOnRecordings compares with optical truth and with other filters
// (testdata/imu/broad/peers.json).
func TestFilterOnRecordings(t *testing.T) {
	b, err := os.ReadFile(broad + "/peers.json")
	if err != nil {
		t.Fatal(err)
	}
	var peers map[string]map[string]map[string]float64
	if err := json.Unmarshal(b, &peers); err != nil {
		t.Fatal(err)
	}
	names := []string{"madgwick_b0.12", "madgwick_b0.033", "mahony_0.74_0.0012", "mahony_1_0.3", "fusion_default", "fusion_adv", "vqf_default"}
	recs := readRecordings(t)
	t.Logf("heading/inclination rms, degrees; peers: %s", strings.Join(names, ", "))
	all := scores(recs, func() *Filter { return NewFilter(FilterOptions{}) })
	for k, s := range all {
		r := &recs[k]
		var row strings.Builder
		for _, n := range names {
			p := peers[r.name][n]
			if len(p) == 0 {
				t.Fatalf("peers.json has no %s for %s", n, r.name)
			}
			fmt.Fprintf(&row, "  %.2f/%.2f", p["heading"], p["inclination"])
			if strings.HasPrefix(n, "mahony") && (s.heading > p["heading"] || s.inclination > p["inclination"]) {
				t.Errorf("%s: %.2f/%.2f°, worse than %s", r.name, s.heading, s.inclination, n)
			}
		}
		t.Logf("%-45s %5.2f/%4.2f within %.2f %.2f  peers%s", r.name, s.heading, s.inclination, s.headingCover, s.inclinationCover, row.String())
		if s.headingCover < 0.85 || s.inclinationCover < 0.85 {
			t.Errorf("%s: only %.2f and %.2f of the rows within the 95 %% bounds", r.name, s.headingCover, s.inclinationCover)
		}
	}
	slow, disturbed := means(recs, all)
	checkMeans(t, slow, disturbed)
	if m := (3*slow.inclinationCover + 5*disturbed.inclinationCover) / 8; m < 0.90 || m > 0.99 {
		t.Errorf("inclination: %.3f of the rows within the 95 %% bounds", m)
	}
}

func TestFilterOnRecordingsBackwards(t *testing.T) {
	recs := slices.Clone(readRecordings(t))
	for k := range recs {
		recs[k] = recs[k].backwards()
	}
	slow, disturbed := means(recs, scores(recs, func() *Filter { return NewFilter(FilterOptions{}) }))
	checkMeans(t, slow, disturbed)
}

// TestFilterConstantsAreNotCritical moves the constants that matter most by
// 30 %: none may sit on an edge found for these recordings.
func TestFilterConstantsAreNotCritical(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the recordings many times")
	}
	recs := readRecordings(t)
	for _, c := range []struct {
		name string
		at   func(f *Filter) *float64
	}{
		{"gyro scale", func(f *Filter) *float64 { return &f.opt.GyroScale }},
		{"local field", func(f *Filter) *float64 { return &f.opt.StrayUT }},
		{"move field", func(f *Filter) *float64 { return &f.tune.moveField }},
	} {
		for _, k := range []float64{0.7, 1.3} {
			slow, disturbed := means(recs, scores(recs, func() *Filter {
				f := NewFilter(FilterOptions{})
				*c.at(f) *= k
				f.head.restart(&f.opt, &f.tune)
				return f
			}))
			t.Logf("%-12s x %.1f: slow %.2f %.2f disturbed %.2f %.2f", c.name, k, slow.heading, slow.inclination, disturbed.heading, disturbed.inclination)
			if slow.heading > 1.15*peerSlowHeading || slow.inclination > peerSlowInclination ||
				disturbed.heading > 0.9*peerDisturbedHeading || disturbed.inclination > peerDisturbedInclination {
				t.Errorf("%s x %.1f: slow %.2f/%.2f, disturbed %.2f/%.2f°", c.name, k, slow.heading, slow.inclination, disturbed.heading, disturbed.inclination)
			}
		}
	}
}
