package main

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"time"
)

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
