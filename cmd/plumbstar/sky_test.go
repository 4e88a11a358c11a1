package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// skyRun runs one command line as a user would, on 2026-11-24 at 20:30 UTC.
func skyRun(stdin string, args ...string) (stdout, stderr string, code int) {
	var out, complaints bytes.Buffer
	e := env{
		stdin: strings.NewReader(stdin), stdout: &out, stderr: &complaints,
		now: func() time.Time { return time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC) },
	}
	code = run(context.Background(), e, args)
	return out.String(), complaints.String(), code
}

// readRows reads CSV text with a header.
func readRows(t *testing.T, text string) []map[string]string {
	t.Helper()
	lines, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, cells := range lines[1:] {
		r := map[string]string{}
		for i, c := range cells {
			r[lines[0][i]] = c
		}
		rows = append(rows, r)
	}
	return rows
}

func reference(t *testing.T, name string) []map[string]string {
	t.Helper()
	text, err := os.ReadFile("../../testdata/astro/" + name) // sources in the README there
	if err != nil {
		t.Fatal(err)
	}
	return readRows(t, string(text))
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The committed ERFA rows through the command: all 273 stars, offset and
// position angle from the refracted pole for all stars within 6° of it.
func TestPolestarTableAgreesWithERFA(t *testing.T) {
	rows := reference(t, "reference_stars.csv")
	var in strings.Builder
	in.WriteString("star,time_utc,lat_deg,lon_deg,height_m,pressure_hpa,temp_c,note\n")
	for _, r := range rows {
		in.WriteString(strings.Join([]string{strings.Replace(r["star"], "HIP", "HIP ", 1), r["utc"] + "Z", r["lat_deg"], r["lon_deg_e"], r["height_m"], r["press_hpa"], r["temp_c"], "kept"}, ",") + "\n")
	}
	out, complaints, code := skyRun(in.String(), "polestar", "--csv", "-")
	got := readRows(t, out)
	if code != 0 || len(got) != len(rows) {
		t.Fatalf("exit %d, %d rows of %d: %s", code, len(got), len(rows), complaints)
	}
	compared := 0
	for i, r := range rows {
		g := got[i]
		if g["note"] != "kept" {
			t.Fatalf("row %d lost its column", i)
		}
		if d := 3600 * math.Abs(number(t, g["altitude_deg"])-number(t, r["alt_geo_deg"])); d > 0.3 {
			t.Errorf("row %d: altitude %.2f arcsec off", i, d)
		}
		if r["sep_ref_arcmin"] == "" {
			continue
		}
		compared++
		if d := 60 * math.Abs(number(t, g["offset_arcmin"])-number(t, r["sep_ref_arcmin"])); d > 0.4 {
			t.Errorf("row %d, %s: offset %.2f arcsec off", i, r["star"], d)
		}
		angle := math.Remainder(number(t, g["position_angle_deg"])-number(t, r["pa_ref_deg"]), 360)
		if math.Abs(angle) > 0.02 {
			t.Errorf("row %d, %s: position angle %.4f° off", i, r["star"], angle)
		}
		if d := 3600 * math.Abs(number(t, g["altitude_refracted_deg"])-number(t, r["alt_ref_deg"])); d > 1.5 {
			t.Errorf("row %d: refracted altitude %.2f arcsec off", i, d)
		}
	}
	if compared < 200 {
		t.Errorf("only %d rows had a refracted place", compared)
	}
}

func TestTonightTableAgreesWithERFA(t *testing.T) {
	rows := reference(t, "reference_twilight.csv")
	var in strings.Builder
	in.WriteString("date,lat_deg,lon_deg,height_m\n")
	for _, r := range rows {
		in.WriteString(strings.Join([]string{r["date"], r["lat_deg"], r["lon_deg_e"], r["height_m"]}, ",") + "\n")
	}
	out, complaints, code := skyRun(in.String(), "tonight", "--csv", "-")
	got := readRows(t, out)
	if code != 0 || complaints != "" || len(got) != len(rows) {
		t.Fatalf("exit %d, %d rows of %d: %s", code, len(got), len(rows), complaints)
	}
	for i, r := range rows {
		for theirs, ours := range map[string]string{"sunset": "sunset", "civil_dusk": "civil_dusk", "naut_dusk": "nautical_dusk", "astro_dusk": "astronomical_dusk",
			"astro_dawn": "astronomical_dawn", "naut_dawn": "nautical_dawn", "civil_dawn": "civil_dawn", "sunrise": "sunrise"} {
			if (r[theirs] == "") != (got[i][ours] == "") {
				t.Errorf("%s %s: %s is %q, ERFA %q", r["date"], r["site"], ours, got[i][ours], r[theirs])
				continue
			}
			if r[theirs] == "" {
				continue
			}
			a, err1 := time.Parse(time.RFC3339, got[i][ours])
			b, err2 := time.Parse(time.RFC3339, r[theirs]+"Z")
			if err := errors.Join(err1, err2); err != nil || math.Abs(a.Sub(b).Seconds()) > 15 {
				t.Errorf("%s %s: %s is %s, ERFA %s (%v)", r["date"], r["site"], ours, got[i][ours], r[theirs], err)
			}
		}
	}
}

func BenchmarkPolestarTable(b *testing.B) {
	var in strings.Builder
	in.WriteString("time_utc,lat_deg,lon_deg,height_m,pressure_hpa,temp_c,star\n")
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	const rows = 10000
	for i := range rows { // no two rows share a moment or a place
		in.WriteString(at.Add(time.Duration(i) * 7919 * time.Second).Format(time.RFC3339))
		in.WriteString("," + strconv.FormatFloat(10+float64(i)/200, 'f', 4, 64) + ",8.4,100,980," + strconv.Itoa(i%30) + ",pole-star\n")
	}
	text := in.String()
	for b.Loop() {
		if err := polestarTable(env{stderr: io.Discard}).run(context.Background(), "rows", strings.NewReader(text), io.Discard, io.Discard); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rows, "ns/row")
}
