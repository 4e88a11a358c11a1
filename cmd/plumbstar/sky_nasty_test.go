package main

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

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
		{"height in the night sky", "2026-11-24T20:30:00Z,50,10,90000,1010,10,pole-star", 0, "height"},
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
