package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
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

// Rows with nasty inputs: a right answer, or empty cells with one clear line.
func TestPolestarNastyRows(t *testing.T) {
	for _, tt := range []struct {
		name, row string
		filled    int    // of the eight added cells
		says      string // in the complaint; empty for none
	}{
		{"equator", "2026-11-24T20:30:00Z,0,0,0,1010,10,pole-star", 8, ""},
		{"equator, no air", "2026-11-24T20:30:00Z,0,0,0,0,10,HIP 11767", 8, ""},
		{"north pole of the Earth", "2026-11-24T20:30:00Z,90,0,0,1010,-30,pole-star", 8, ""},
		{"south pole of the Earth", "2026-11-24T20:30:00Z,-90,180,2800,680,-60,pole-star", 8, ""},
		{"date line, east", "2026-11-24T20:30:00Z,50,180,0,1010,10,pole-star", 8, ""},
		{"date line, west", "2026-11-24T20:30:00Z,50,-180,0,1010,10,pole-star", 8, ""},
		{"below the horizon, air", "2026-11-24T20:30:00Z,-40,10,0,1010,10,Polaris", 5, "below the horizon"},
		{"below the horizon, no air", "2026-11-24T20:30:00Z,-40,10,0,0,10,Polaris", 8, ""},
		{"Sun at night", "2026-11-24T20:30:00Z,50,10,0,1010,10,sun", 5, "below the horizon"},
		{"Moon", "2026-11-24T20:30:00Z,50,10,0,1010,10,Moon", 8, ""},
		{"planet", "2026-11-24T02:30:00Z,50,10,0,1010,10,jupiter", 8, ""},
		{"leap second", "2016-12-31T23:59:60.5Z,50,10,0,1010,10,pole-star", 8, ""},
		{"leap second that was none", "2026-06-30T23:59:60Z,50,10,0,1010,10,pole-star", 0, "leap second"},
		{"29 February", "2028-02-29T20:30:00Z,50,10,0,1010,10,pole-star", 8, ""},
		{"29 February of a common year", "2027-02-29T20:30:00Z,50,10,0,1010,10,pole-star", 0, "2027-02-29"},
		{"too early", "1971-12-31T23:59:59Z,50,10,0,1010,10,pole-star", 0, "1972"},
		{"too late", "2101-01-01T00:00:00Z,50,10,0,1010,10,pole-star", 0, "2100"},
		{"last moment", "2100-12-31T23:59:59Z,50,10,0,1010,10,pole-star", 8, ""},
		{"time without zone", "2026-11-24T20:30:00,50,10,0,1010,10,pole-star", 0, "RFC 3339"},
		{"time with offset", "2026-11-24T22:30:00+02:00,50,10,0,1010,10,pole-star", 8, ""},
		{"latitude beyond the pole", "2026-11-24T20:30:00Z,90.1,10,0,1010,10,pole-star", 0, "latitude"},
		{"longitude twice round", "2026-11-24T20:30:00Z,50,400,0,1010,10,pole-star", 0, "longitude"},
		{"height in the sky", "2026-11-24T20:30:00Z,50,10,90000,1010,10,pole-star", 0, "height"},
		{"pressure below zero", "2026-11-24T20:30:00Z,50,10,0,-1,10,pole-star", 0, "pressure"},
		{"not a number", "2026-11-24T20:30:00Z,NaN,10,0,1010,10,pole-star", 0, "lat_deg"},
		{"empty cell", "2026-11-24T20:30:00Z,50,10,0,,10,pole-star", 0, "pressure_hpa"},
		{"no star", "2026-11-24T20:30:00Z,50,10,0,1010,10,", 0, "star"},
		{"unknown star", "2026-11-24T20:30:00Z,50,10,0,1010,10,Nibiru", 0, "Nibiru"},
		{"HIP 0", "2026-11-24T20:30:00Z,50,10,0,1010,10,HIP 0", 0, "HIP 0"},
	} {
		out, complaints, code := skyRun("time_utc,lat_deg,lon_deg,height_m,pressure_hpa,temp_c,star\n"+tt.row+"\n", "polestar", "--csv", "-")
		rows := readRows(t, out)
		if code != 0 || len(rows) != 1 {
			t.Errorf("%s: exit %d, %d rows", tt.name, code, len(rows))
			continue
		}
		filled := 0
		for _, c := range []string{"ra_deg", "dec_deg", "hour_angle_deg", "azimuth_deg", "altitude_deg", "altitude_refracted_deg", "offset_arcmin", "position_angle_deg"} {
			if cell := rows[0][c]; cell != "" {
				filled++
				if v := number(t, cell); math.IsNaN(v) || math.IsInf(v, 0) {
					t.Errorf("%s: %s is %s", tt.name, c, cell)
				}
			}
		}
		if filled != tt.filled {
			t.Errorf("%s: %d cells filled, want %d: %s", tt.name, filled, tt.filled, out)
		}
		var lines []string
		for _, l := range strings.Split(strings.TrimSpace(complaints), "\n") {
			if l != "" && !strings.Contains(l, "caution") {
				lines = append(lines, l)
			}
		}
		if tt.says == "" && len(lines) > 0 || tt.says != "" && (len(lines) != 1 || !strings.Contains(lines[0], tt.says)) {
			t.Errorf("%s: said %q, want %q", tt.name, complaints, tt.says)
		}
	}
}

// The two names of the date line, and 360 degrees more, are one place.
func TestPolestarKnowsThatTheDateLineIsOneLine(t *testing.T) {
	row := func(lon string) string {
		out, _, _ := skyRun("time_utc,lat_deg,lon_deg,height_m,pressure_hpa,temp_c,star\n2026-11-24T20:30:00Z,50,"+lon+",0,1010,10,pole-star\n", "polestar", "--csv", "-")
		_, cells, _ := strings.Cut(strings.Split(out, "\n")[1], "pole-star")
		return cells
	}
	if a, b := row("180"), row("-180"); a != b {
		t.Errorf("%s and %s", a, b)
	}
	if a, b := row("-100"), row("260"); a != b {
		t.Errorf("%s and %s", a, b)
	}
}

func TestTonightNastyRows(t *testing.T) {
	for _, tt := range []struct{ name, row, says string }{
		{"north pole in summer", "2026-06-21,90,0,0", ""},
		{"south pole at the equinox", "2026-09-22,-90,0,0", ""},
		{"date line", "2026-11-24,10,180,0", ""},
		{"29 February", "2028-02-29,50,10,0", ""},
		{"29 February of a common year", "2027-02-29,50,10,0", "2027-02-29"},
		{"a time instead of a date", "2026-11-24T10:00:00Z,50,10,0", "date"},
		{"too early", "1950-01-01,50,10,0", "1972"},
		{"latitude", "2026-11-24,91,10,0", "latitude"},
	} {
		out, complaints, code := skyRun("date,lat_deg,lon_deg,height_m\n"+tt.row+"\n", "tonight", "--csv", "-")
		if rows := readRows(t, out); code != 0 || len(rows) != 1 || (tt.says == "") != (complaints == "") || !strings.Contains(complaints, tt.says) || strings.Count(complaints, "\n") > 1 {
			t.Errorf("%s: exit %d, %s %q", tt.name, code, out, complaints)
		}
	}
}

func TestPolestarForAPerson(t *testing.T) {
	out, complaints, code := skyRun("", "polestar", "51.9", "8.4", "--circles", "2020:39.6,2030:36.8", "--scale-hours", "24")
	if code != 0 || complaints != "" {
		t.Fatalf("exit %d: %s", code, complaints)
	}
	for _, want := range []string{"Polaris (HIP 11767", "± ", "12:55 on a clock face", "1.84 on the scale of 24 h", "from that of 2030 to that of 2020",
		"east is to your right", "the star goes down", "the star goes left", "O Polaris", "in 20 min at 12:45"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing from\n%s", want, out)
		}
	}
	// The drawing has the star where the numbers say: right of the pole and above it.
	pole, star := [2]int{}, [2]int{}
	for y, line := range strings.Split(out, "\n") {
		if strings.Contains(line, "O Polaris") {
			continue
		}
		for x, c := range []rune(line) {
			switch {
			case c == '+':
				pole = [2]int{x, y}
			case c == 'O':
				star = [2]int{x, y}
			}
		}
	}
	if dx, dy := star[0]-pole[0], star[1]-pole[1]; dx != 2 || dy != -2 { // 0.29° right, 0.55° up; 0.136° and 0.27° a character
		t.Errorf("the star is drawn %d right and %d down of the pole", dx, dy)
	}

	south, _, _ := skyRun("", "polestar", "-31.6", "139.3", "--view", "inverted")
	for _, want := range []string{"Polaris Australis", "west is to your right", "inverted", "the star goes up", "the star goes left"} {
		if !strings.Contains(south, want) {
			t.Errorf("south: %q is missing from\n%s", want, south)
		}
	}
}

func TestPolestarJSON(t *testing.T) {
	out, _, code := skyRun("", "polestar", "51.9", "8.4", "--json")
	var r struct {
		Az    float64  `json:"azimuth_deg"`
		Seen  *float64 `json:"altitude_refracted_deg"`
		Sigma struct {
			Alt float64 `json:"altitude_sigma_deg"`
		} `json:"accuracy"`
		Mark struct {
			Offset float64 `json:"offset_arcmin"`
			X      float64 `json:"x_deg"`
			Y      float64 `json:"y_deg"`
		} `json:"mark"`
		Later []struct {
			Time time.Time `json:"time"`
		} `json:"later"`
		Field []struct {
			ID string `json:"id"`
		} `json:"field"`
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != 0 {
		t.Fatalf("exit %d, %v: %s", code, err, out)
	}
	if r.Seen == nil || r.Sigma.Alt <= 0 || math.Abs(math.Hypot(r.Mark.X, r.Mark.Y)*60-r.Mark.Offset) > 1e-6 || len(r.Later) != 7 || len(r.Field) < 5 || r.Field[0].ID != "HIP 11767" {
		t.Errorf("%+v", r)
	}
}

// Wherever the Sun's place is printed, the caution stands.
func TestTheSunComesWithACaution(t *testing.T) {
	text, _, _ := skyRun("", "polestar", "51.9", "8.4", "--star", "sun", "--time", "2026-06-24T10:30:00Z")
	if !strings.HasPrefix(text, "CAUTION: Never look at the Sun") {
		t.Errorf("text: %s", text)
	}
	asJSON, _, _ := skyRun("", "polestar", "51.9", "8.4", "--star", "Sun", "--time", "2026-06-24T10:30:00Z", "--json")
	if !strings.Contains(asJSON, `"caution":"Never look at the Sun`) {
		t.Errorf("JSON: %s", asJSON)
	}
	row := "2026-06-24T10:30:00Z,51.9,8.4,0,1010,10,sun\n"
	_, complaints, _ := skyRun("time_utc,lat_deg,lon_deg,height_m,pressure_hpa,temp_c,star\n"+row+row, "polestar", "--csv", "-")
	if strings.Count(complaints, "Never look at the Sun") != 1 {
		t.Errorf("CSV: %s", complaints)
	}
	star, _, _ := skyRun("", "polestar", "51.9", "8.4", "--json")
	if strings.Contains(star, "caution") {
		t.Errorf("a star with a caution: %s", star)
	}
}

func TestTonightForAPerson(t *testing.T) {
	out, complaints, code := skyRun("", "tonight", "51.9", "8.4")
	if code != 0 || complaints != "" {
		t.Fatalf("exit %d: %s", code, complaints)
	}
	for _, want := range []string{"Night of 2026-11-24", "11-24 15:25  sunset", "Polaris shows in the finder", "Best time to align: 16:10 to 16:36", "only star in the finder", "Moon 100 % lit", "common practice, no source"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing from\n%s", want, out)
		}
	}
	for _, tt := range []struct{ date, want string }{{"2026-06-21", "the Sun does not set"}, {"2026-12-21", "It does not rise"}} {
		if out, _, _ := skyRun("", "tonight", "69.5", "20", "--date", tt.date); !strings.Contains(out, tt.want) {
			t.Errorf("%s: %q is missing from\n%s", tt.date, tt.want, out)
		}
	}
	if out, _, _ := skyRun("", "tonight", "60.2", "24.8", "--date", "2026-06-21"); !strings.Contains(out, "does not show in the finder") {
		t.Errorf("a white night:\n%s", out)
	}
}

func TestTonightPictureIsWellFormed(t *testing.T) {
	out, _, code := skyRun("", "tonight", "-31.6", "139.3", "--svg", "-")
	if code != 0 {
		t.Fatalf("exit %d", code)
	}
	texts, bars := 0, 0
	for d := xml.NewDecoder(strings.NewReader(out)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if s, ok := token.(xml.StartElement); ok {
			switch s.Name.Local {
			case "text":
				texts++
			case "rect":
				bars++
			}
		}
	}
	if texts < 15 || bars < 9 || !strings.Contains(out, "best time to align") || strings.Contains(out, "NaN") {
		t.Errorf("%d texts, %d bars", texts, bars)
	}
}

// Common practice, no source: 14 mm, four minutes, a rough alignment of about a
// degree, no visible trail at 1 pixel of 4.3 um.
func TestExposureConfirmsTheCommonPractice(t *testing.T) {
	out, _, code := skyRun("", "exposure", "--focal-mm", "14", "--pixel-um", "4.3", "--error-arcmin", "60", "--exposure-s", "240", "--json")
	var r struct {
		Longest   float64 `json:"longest_s"`
		Exposures []struct {
			Verdict string  `json:"verdict"`
			Trail   float64 `json:"trail_px"`
			Allowed float64 `json:"allowed_arcmin"`
		} `json:"exposures"`
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != 0 {
		t.Fatalf("exit %d, %v: %s", code, err, out)
	}
	if e := r.Exposures[0]; e.Verdict != "yes" || e.Trail > 1 || math.Abs(e.Allowed-60.3) > 0.1 || math.Abs(r.Longest-241) > 1 {
		t.Errorf("%+v", r)
	}
	csvOut, complaints, _ := skyRun("focal_mm,pixel_um,trail_px,error_arcmin,error_sigma_arcmin,exposure_s\n14,4.3,1,60,0,240\n135,3.76,1,0,0,60\n0,4,1,1,0,60\n", "exposure", "--csv", "-")
	rows := readRows(t, csvOut)
	if rows[0]["verdict"] != "yes" || rows[1]["longest_s"] != "inf" || rows[2]["verdict"] != "" || !strings.Contains(complaints, "row 3") {
		t.Errorf("%v %s", rows, complaints)
	}
}

func TestSkyWrongUse(t *testing.T) {
	for _, tt := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"polestar"}, 2, "give the place once"},
		{[]string{"polestar", "51.9"}, 2, "give the place once"},
		{[]string{"polestar", "51.9", "8.4", "--lat", "1"}, 2, "give the place once"},
		{[]string{"polestar", "north", "8.4"}, 2, "decimal point"},
		{[]string{"polestar", "95", "8.4"}, 2, "latitude"},
		{[]string{"polestar", "51.9", "8.4", "--view", "sideways"}, 2, "view"},
		{[]string{"polestar", "51.9", "8.4", "--circles", "2020"}, 2, "circles"},
		{[]string{"polestar", "51.9", "8.4", "--aim", "left"}, 2, "aim"},
		{[]string{"polestar", "51.9", "8.4", "--time", "tonight"}, 2, "RFC 3339"},
		{[]string{"polestar", "51.9", "8.4", "--star", "Death Star"}, 2, "Death Star"},
		{[]string{"polestar", "51.9", "8.4", "--pressure-hpa", "-5"}, 2, "pressure"},
		{[]string{"polestar", "51.9", "8.4", "--time", "1900-01-01T00:00:00Z"}, 1, "1972"},
		{[]string{"polestar", "--csv", "-", "--star", "sun"}, 2, "leave out --star"},
		{[]string{"polestar", "--csv", "/nonexistent/rows.csv"}, 1, "rows.csv"},
		{[]string{"tonight"}, 2, "give the place once"},
		{[]string{"tonight", "51.9", "8.4", "--date", "2026-02-30"}, 2, "2026-02-30"},
		{[]string{"tonight", "51.9", "8.4", "--svg", "/nonexistent/night.svg"}, 1, "night.svg"},
		{[]string{"tonight", "--csv", "-", "51.9"}, 2, "leave out"},
		{[]string{"exposure"}, 2, "focal length"},
		{[]string{"exposure", "--focal-mm", "50", "--sensor", "big"}, 2, "sensor"},
		{[]string{"exposure", "--focal-mm", "50", "--projection", "flat"}, 2, "flat"},
		{[]string{"exposure", "--focal-mm", "50", "--error-arcmin", "-1"}, 2, "0 or more"},
		{[]string{"exposure", "--focal-mm", "50", "--error-arcmin", "1", "--high-arcmin", "1"}, 2, "once"},
		{[]string{"exposure", "--focal-mm", "50", "--error-arcmin", "1", "--at", "0,0"}, 2, "direction"},
		{[]string{"exposure", "--focal-mm", "50", "--high-arcmin", "1", "--at", "0"}, 2, "-45,20"},
		{[]string{"exposure", "--focal-mm", "50", "--exposure-s", "0"}, 2, "exposure"},
		{[]string{"exposure", "50"}, 2, "no argument"},
	} {
		out, complaints, code := skyRun("", tt.args...)
		if code != tt.code || !strings.Contains(complaints, tt.says) || strings.Count(complaints, "\n") != 1 || out != "" {
			t.Errorf("%v: exit %d, %q, output %q; want %d and %q", tt.args, code, complaints, out, tt.code, tt.says)
		}
	}
}

// Any bytes as rows: no panic, one output row for each input row, and every
// filled cell a finite number.
func FuzzPolestarRows(f *testing.F) {
	f.Add("2026-11-24T20:30:00Z,50,10,0,1010,10,pole-star")
	f.Add("2016-12-31T23:59:60Z,-90,-180,8000,0,-90,HIP 104382")
	f.Add("2100-12-31T23:59:59.999999999Z,1e-300,359.99999,1,1e-9,60,moon")
	f.Add("2026-11-24T20:30:00+14:00,0,0,0,1100,60,ＳＵＮ")
	f.Fuzz(func(t *testing.T, row string) {
		if strings.ContainsAny(row, "\r\n\"") {
			return
		}
		out, _, code := skyRun("time_utc,lat_deg,lon_deg,height_m,pressure_hpa,temp_c,star\n"+row+"\n", "polestar", "--csv", "-")
		if row == "" {
			return
		}
		if code != 0 || strings.Count(out, "\n") != 2 {
			t.Fatalf("exit %d: %q", code, out)
		}
		cells := strings.Split(strings.TrimSuffix(strings.Split(out, "\n")[1], "\n"), ",")
		for _, c := range cells[len(cells)-8:] {
			if v, err := strconv.ParseFloat(c, 64); c != "" && (err != nil || math.IsNaN(v) || math.IsInf(v, 0)) {
				t.Fatalf("cell %q of %q", c, out)
			}
		}
	})
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
