package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

const geomagData = "../../testdata/geomag/"

// declinationRun runs one command line as a user would, on 2026-09-12.
func declinationRun(stdin string, args ...string) (stdout, stderr string, code int) {
	var out, complaints bytes.Buffer
	e := env{
		stdin: strings.NewReader(stdin), stdout: &out, stderr: &complaints,
		now: func() time.Time { return time.Date(2026, 9, 12, 21, 30, 0, 0, time.UTC) },
	}
	code = run(context.Background(), e, append([]string{"declination"}, args...))
	return out.String(), complaints.String(), code
}

// The command over the published test tables (100 and 12 rows of WMM2025 and of
// WMMHR2025), columns in another order and with strangers among them.
func TestDeclinationTableMatchesThePublishedOnes(t *testing.T) {
	const half2, half6, half1 = 0.005 + 1e-9, 0.5e-6 + 0.5e-6 + 1e-9, 0.05 + 1e-6 // our own cells round, too
	// Columns of D I H X Y Z F in the published files and what they allow, see testdata/geomag/README.md.
	type column struct {
		at        int
		name      string
		tolerance float64
	}
	hundred := []column{
		{4, "declination_deg", half2}, {5, "inclination_deg", half2}, {6, "horizontal_nT", 1e-3}, {7, "north_nT", 1e-3},
		{8, "east_nT", half6}, {9, "down_nT", 3e-6}, {10, "total_nT", 1e-3},
	}
	report := []column{
		{4, "north_nT", half1}, {5, "east_nT", half1}, {6, "down_nT", half1}, {7, "horizontal_nT", half1},
		{8, "total_nT", half1}, {9, "inclination_deg", half2}, {10, "declination_deg", half2},
	}
	for _, c := range []struct {
		file    string
		model   string
		columns []column
		rows    int
		offset  float64 // of the declination's sigma
		grows   float64
	}{
		{"WMM2025_TestValues.txt", "", hundred, 100, 0.26, 5417},
		{"WMM2025_TEST_VALUES.txt", "", report, 12, 0.26, 5417},
		{"WMMHR2025_TestValues.txt", geomagData + "WMMHR2025.COF", hundred, 100, 0.25, 5205},
		{"WMMHR2025_TEST_VALUES.txt", geomagData + "WMMHR2025.COF", report, 12, 0.25, 5205},
	} {
		text, err := os.ReadFile(geomagData + c.file)
		if err != nil {
			t.Fatal(err)
		}
		var published [][]string
		input := "note,lon_deg,decimal_year,lat_deg,height_km,place\n"
		for line := range strings.Lines(string(text)) {
			if words := strings.Fields(line); len(words) > 4 && words[0] != "#" {
				published = append(published, words)
				input += fmt.Sprintf("\"a, \"\"b\"\"\",%s,%s,%s,%s,row %d\n", words[3], words[0], words[2], words[1], len(published))
			}
		}
		stdout, stderr, code := declinationRun(input, "--csv", "-", "--model="+c.model)
		if code != 0 || stderr != "" {
			t.Fatalf("%s: exit %d, %s", c.file, code, stderr)
		}
		got, err := csv.NewReader(strings.NewReader(stdout)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		const header = "note,lon_deg,decimal_year,lat_deg,height_km,place,declination_deg,inclination_deg,total_nT,horizontal_nT,north_nT,east_nT,down_nT,declination_sigma_deg"
		if strings.Join(got[0], ",") != header {
			t.Errorf("%s: header %v", c.file, got[0])
		}
		if len(got) != c.rows+1 || len(published) != c.rows {
			t.Fatalf("%s: %d lines of output for %d rows, want %d", c.file, len(got), len(published), c.rows)
		}
		place := map[string]int{}
		for i, name := range got[0] {
			place[name] = i
		}
		value := func(cell string) float64 {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatalf("%s: %v", c.file, err)
			}
			return v
		}
		for i, want := range published {
			row := got[i+1]
			if row[0] != `a, "b"` || row[5] != fmt.Sprintf("row %d", i+1) || row[1] != want[3] {
				t.Errorf("%s: row %d passes %q", c.file, i+1, row[:6])
			}
			for _, q := range c.columns {
				off := math.Abs(value(row[place[q.name]]) - value(want[q.at]))
				if !(off <= q.tolerance) {
					t.Errorf("%s row %d: %s %s, published %s", c.file, i+1, q.name, row[place[q.name]], want[q.at])
				}
			}
			sigma := math.Hypot(c.offset, c.grows/value(row[place["horizontal_nT"]]))
			if math.Abs(value(row[13])-sigma) > 0.6e-4 {
				t.Errorf("%s row %d: sigma %s, want %.4f", c.file, i+1, row[13], sigma)
			}
		}
	}
}

func TestDeclinationTableKeepsRowsThatItCannotAnswer(t *testing.T) {
	input := "\ufefflat_deg, lon_deg,height_km,decimal_year\r\n" +
		"51.9,8.4,0.1,2026.4\r\n" +
		"95,8.4,0.1,2026.4\r\n" +
		"51.9,8.4,0.1,2031\r\n" +
		"51.9,8.4,0.1\r\n" +
		"51.9,,0.1,2026.4\r\n" +
		"51.9,NaN,0.1,2026.4\r\n" +
		"51.9,8.4,0.1,2026.4,extra\r\n" +
		"\r\n" +
		"5\"1.9,8.4,0.1,2026.4\r\n" +
		"51,9\",8.4,0.1,2026.4\r\n" +
		" 51.9 ,8.4,0.1,2026.4\r\n"
	stdout, stderr, code := declinationRun(input, "--csv", "-")
	if code != 0 {
		t.Errorf("exit %d", code)
	}
	want := []string{
		"row 2 (line 3): place outside the magnetic model: latitude 95: give degrees from -90 (south) to 90 (north)",
		"row 3 (line 4): date outside the magnetic model: year 2031 is not within WMM-2025 (2025.0 to 2030.0): load a coefficient file",
		"row 4 (line 5): 3 cells, the header has 4",
		"row 5 (line 6): lon_deg \"\": give a number",
		"row 6 (line 7): lon_deg \"NaN\": give a number",
		"row 7 (line 8): 5 cells, the header has 4",
		"row 8 (line 10): bare \" in non-quoted-field",
		"row 9 (line 11): bare \" in non-quoted-field",
	}
	complaints := strings.Split(strings.TrimSuffix(stderr, "\n"), "\n")
	if len(complaints) != len(want) {
		t.Fatalf("%d complaints:\n%s", len(complaints), stderr)
	}
	for i, w := range want {
		if !strings.HasPrefix(complaints[i], "plumbstar: standard input: "+w) {
			t.Errorf("%q, want %q", complaints[i], w)
		}
	}
	got, err := csv.NewReader(strings.NewReader(stdout)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 11 || got[0][0] != "lat_deg" || got[0][1] != "lon_deg" {
		t.Fatalf("%d rows: %v", len(got), got)
	}
	for i, row := range got[1:] {
		answered := i == 0 || i == 9
		for _, cell := range row[4:] {
			if (cell != "") != answered {
				t.Errorf("row %d: %v", i+1, row)
				break
			}
		}
	}
	if a, b := strings.Join(got[1][4:], ","), strings.Join(got[10][4:], ","); a != b {
		t.Errorf("spaces matter: %s and %s", a, b)
	}
}

func TestDeclinationRefusesInOneLine(t *testing.T) {
	const good = "lat_deg,lon_deg,height_km,decimal_year\n"
	for _, c := range []struct {
		stdin string
		args  []string
		code  int
		says  string
	}{
		{"", []string{"--csv", "-"}, 1, "standard input: empty: the first line must name the columns lat_deg,lon_deg,height_km,decimal_year"},
		{"lat_deg,lon_deg,height_km\n", []string{"--csv", "-"}, 1, "line 1: no column decimal_year"},
		{"lat_deg,lat_deg,lon_deg,height_km,decimal_year\n", []string{"--csv", "-"}, 1, "line 1: column lat_deg is there twice"},
		{"east_nT," + good, []string{"--csv", "-"}, 1, "line 1: column east_nT is there already"},
		{"\"lat_deg\n", []string{"--csv", "-"}, 1, "standard input: "},
		{"", []string{"--csv", "no-such-file.csv"}, 1, "no-such-file.csv: no such file"},
		{good, []string{"--csv", "-", "--model", "no-such-file.cof"}, 1, "no-such-file.cof: no such file"},
		{good, []string{"--csv", "-", "--model", geomagData + "README.md"}, 1, "README.md: coefficient file, line 1: epoch"},
		{good, []string{"--csv", "-", "--lat", "3"}, 2, "leave out --lat"},
		{good, []string{"--csv", "-", "--json"}, 2, "leave out --json"},
		{good, []string{"--csv", "-", "1", "2"}, 2, "leave out \"1\""},
		{"", nil, 2, "give the place once"},
		{"", []string{"51.9"}, 2, "give the place once"},
		{"", []string{"51.9", "8.4", "3"}, 2, "give the place once"},
		{"", []string{"51.9", "8.4", "--lat", "3"}, 2, "give the place once"},
		{"", []string{"--lat", "3"}, 2, "give the place once"},
		{"", []string{"51,9", "8,4"}, 2, "\"51,9\": give latitude and longitude as degrees"},
		{"", []string{"51.9", "8.4", "--frobnicate"}, 2, "unknown flag: --frobnicate"},
		{"", []string{"51.9", "8.4", "--date", "yesterday"}, 2, "--date \"yesterday\": give a day"},
		{"", []string{"51.9", "8.4", "--date", "2025-02-29"}, 2, "--date \"2025-02-29\": give a day"},
		{"", []string{"51.9", "8.4", "--date", "2031-02-28"}, 1, "is not within WMM-2025 (2025.0 to 2030.0): load a coefficient file made for that date (--model FILE"},
		{"", []string{"-91", "8.4"}, 1, "latitude -91"},
		{"", []string{"NaN", "8.4"}, 1, "latitude NaN"},
		{"", []string{"51.9", "8.4", "--height-m", "900000"}, 1, "height 900 km"},
	} {
		stdout, stderr, code := declinationRun(c.stdin, c.args...)
		if code != c.code || stdout != "" || !strings.Contains(stderr, c.says) || strings.Count(stderr, "\n") != 1 {
			t.Errorf("%v: exit %d, %q, %q; want %d, %q", c.args, code, stdout, stderr, c.code, c.says)
		}
	}
}

func TestDeclinationForAPerson(t *testing.T) {
	for _, c := range []struct {
		args []string
		says []string
		not  string
	}{
		{[]string{"51.9", "8.4", "--date", "2026-06-01", "--height-m", "120"}, []string{
			"51.9000° N 8.4000° E, 120 m", "2026-06-01 00:00 UTC (2026.4137), WMM-2025 to degree 12, valid 2025.0 to 2030.0",
			"° east  ± 0.38°", "° down  ± 0.20°", "a year", "faces true north",
		}, "zone"},
		{[]string{"-31.6", "139.3"}, []string{"31.6000° S 139.3000° E", "2026-09-12 21:30 UTC", "° up  ±", "faces true south"}, "zone"},
		{[]string{"--date", "2025-03-01", "-31.6", "-60", "--height-m", "-200"}, []string{"31.6000° S 60.0000° W, -200 m", "west  ±"}, "zone"},
		{[]string{"--lat", "-31.6", "--lon=-60"}, []string{"31.6000° S 60.0000° W"}, "zone"},
		{[]string{"--json=false", "--", "-31.6", "-60"}, []string{"31.6000° S 60.0000° W"}, "zone"},
		{[]string{"80", "-75"}, []string{"Compass unreliable here (caution zone)", "faces true north", "  grid "}, "No compass"},
		{[]string{"86", "150"}, []string{"No compass heading here (blackout zone)"}, "faces true"},
		{[]string{"-90", "30"}, []string{"the declination counts from that of longitude 30", "  grid "}, "faces true"},
		{[]string{"--help"}, []string{"LAT and LON in degrees", "--csv"}, "±"},
	} {
		stdout, stderr, code := declinationRun("", c.args...)
		if code != 0 || stderr != "" || strings.Contains(stdout, c.not) {
			t.Errorf("%v: exit %d, %s%s", c.args, code, stderr, stdout)
		}
		for _, want := range c.says {
			if !strings.Contains(stdout, want) {
				t.Errorf("%v does not say %q:\n%s", c.args, want, stdout)
			}
		}
	}
}

// All ways to say the same place and date give the same JSON, and it is a row of
// the published 12-row table.
func TestDeclinationJSON(t *testing.T) {
	first := ""
	for _, args := range [][]string{
		{"-80", "240", "--json", "--date", "2027.5", "--height-m", "100000"},
		{"--json", "--lat", "-80", "--lon", "240", "--date=2027-07-02T12:00:00Z", "--height-m=100000"},
	} {
		stdout, stderr, code := declinationRun("", args...)
		if code != 0 || stderr != "" {
			t.Fatalf("%v: exit %d, %s", args, code, stderr)
		}
		if first == "" {
			first = stdout
		}
		if stdout != first {
			t.Errorf("%v:\n%s\n%s", args, stdout, first)
		}
	}
	var got map[string]any
	if err := json.Unmarshal([]byte(first), &got); err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]float64{
		"north_nT": 5984.0, "east_nT": 14760.1, "down_nT": -49317.7, "horizontal_nT": 15927.0, "total_nT": 51825.7,
		"inclination_deg": -72.10, "declination_deg": 67.93, "grid_variation_deg": -52.07,
		"north_nT_per_year": 30.6, "east_nT_per_year": -8.0, "down_nT_per_year": 89.2, "horizontal_nT_per_year": 4.0,
		"total_nT_per_year": -83.7, "inclination_deg_per_year": 0.03, "declination_deg_per_year": -0.11,
		"lat_deg": -80, "lon_deg": 240, "height_m": 100000, "decimal_year": 2027.5, "model_degree": 12,
		"model_valid_from_year": 2025, "model_valid_until_year": 2030,
	} {
		tolerance := 0.05
		if strings.Contains(key, "_deg") {
			tolerance = 0.005
		}
		if v, ok := got[key].(float64); !ok || math.Abs(v-want) > tolerance {
			t.Errorf("%s is %v, want %v", key, got[key], want)
		}
	}
	if got["model"] != "WMM-2025" || got["zone"] != "ok" || got["time"] != "2027-07-02T12:00:00Z" {
		t.Errorf("%v", got)
	}
	stdout, _, _ := declinationRun("", "51.9", "8.4", "--json")
	if !strings.Contains(stdout, `"grid_variation_deg":null`) {
		t.Errorf("grid variation at 51.9 north: %s", stdout)
	}
}

func BenchmarkDeclinationCSV(b *testing.B) {
	var input strings.Builder
	const rows = 100_000
	input.WriteString("lat_deg,lon_deg,height_km,decimal_year\n")
	for i := range rows {
		fmt.Fprintf(&input, "%.4f,%.4f,0.1,2026.4\n", -90+180*float64(i)/rows, -180+0.0036*float64(i))
	}
	for b.Loop() {
		e := env{stdin: strings.NewReader(input.String()), stdout: io.Discard, stderr: io.Discard}
		if code := run(context.Background(), e, []string{"declination", "--csv", "-"}); code != 0 {
			b.Fatal(code)
		}
	}
	b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
