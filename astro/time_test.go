package astro

import (
	"bufio"
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The table against the IERS list, testdata/leap-seconds.list.
func TestLeapSecondsAreThePublishedOnes(t *testing.T) {
	f, err := os.Open("testdata/leap-seconds.list")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const ntpToUnix = 2208988800 // seconds from 1900-01-01 to 1970-01-01
	row := 0
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		text := lines.Text()
		if after, ok := strings.CutPrefix(text, "#@"); ok {
			expires, err := strconv.ParseInt(strings.TrimSpace(after), 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			if got := leapKnownUntil.Unix(); got != expires-ntpToUnix {
				t.Errorf("known until %d, the list expires at %d", got, expires-ntpToUnix)
			}
		}
		if strings.HasPrefix(text, "#") || text == "" {
			continue
		}
		words := strings.Fields(text)
		ntp, err1 := strconv.ParseInt(words[0], 10, 64)
		dtai, err2 := strconv.ParseFloat(words[1], 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("list row %q", text)
		}
		if row >= len(leapSteps) {
			t.Fatalf("row %q of the list is missing", text)
		}
		if want := (leapStep{ntp - ntpToUnix, dtai}); leapSteps[row] != want {
			t.Errorf("row %d is %v, the list has %v", row, leapSteps[row], want)
		}
		row++
	}
	if row != len(leapSteps) {
		t.Errorf("%d rows in the list, %d here", row, len(leapSteps))
	}
}

// TT, UT and TAI-UTC against ERFA, decimal year against astropy
// (testdata/erfa_timescales.csv), leap seconds included.
func TestTimeScalesAgreeWithERFA(t *testing.T) {
	f, err := os.Open("testdata/erfa_timescales.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	leaps := 0
	for _, r := range rows[1:] {
		v := make([]float64, len(r))
		for k, cell := range r[1:] {
			if v[k+1], err = strconv.ParseFloat(cell, 64); err != nil {
				t.Fatal(err)
			}
		}
		i, err := ParseInstant(r[0])
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		if got, _ := i.TAIMinusUTC(); got != v[1] {
			t.Errorf("%s: TAI-UTC %v s, ERFA %v", r[0], got, v[1])
		}
		const tenth = 0.1e-3 / secondsPerDay // 0.1 ms: the float64 of a Julian date resolves 40 µs
		if d := (i.JulianTT() - v[2]) - v[3]; math.Abs(d) > tenth {
			t.Errorf("%s: TT off by %.6f s", r[0], d*secondsPerDay)
		}
		if d := (i.JulianUT() - v[4]) - v[5]; math.Abs(d) > tenth {
			t.Errorf("%s: UT off by %.6f s", r[0], d*secondsPerDay)
		}
		if d := i.DecimalYear() - v[6]; math.Abs(d) > 4e-8 { // one second of a year
			t.Errorf("%s: decimal year %.9f, astropy %.9f", r[0], i.DecimalYear(), v[6])
		}
		if i.InLeapSecond() {
			leaps++
			if !strings.Contains(i.String(), ":59:60") {
				t.Errorf("%s prints as %s", r[0], i)
			}
		}
	}
	if len(rows) != 125 || leaps != 20 {
		t.Errorf("%d rows with %d leap seconds, want 125 and 20", len(rows), leaps)
	}
}

func TestParseInstant(t *testing.T) {
	good := map[string]string{
		"2026-09-12T21:30:00Z":           "2026-09-12T21:30:00Z",
		"2026-09-12T21:30:05.25+02:00":   "2026-09-12T19:30:05.25Z",
		"2024-02-29T00:00:00Z":           "2024-02-29T00:00:00Z",
		"2016-12-31T23:59:60Z":           "2016-12-31T23:59:60Z",
		"2017-01-01T08:59:60.5+09:00":    "2016-12-31T23:59:60.5Z",
		"2016-12-31T23:59:59.999999999Z": "2016-12-31T23:59:59.999999999Z",
	}
	for in, want := range good {
		i, err := ParseInstant(in)
		if err != nil || i.String() != want {
			t.Errorf("%q: %v, %v; want %s", in, i, err, want)
		}
	}
	bad := map[string]string{
		"":                          "give RFC 3339",
		"yesterday":                 "give RFC 3339",
		"2026-09-12":                "give RFC 3339",
		"2026-09-12 21:30:00Z":      "give RFC 3339",
		"2026-09-12T21:30:00":       "give RFC 3339",
		"2025-02-29T00:00:00Z":      "day out of range",
		"2026-09-12T24:00:00Z":      "hour out of range",
		"2026-09-12T21:30:61Z":      "second out of range",
		"2026-09-12T21:30:60Z":      "no leap second is known there",
		"2015-12-31T23:59:60Z":      "no leap second is known there",
		"1971-12-31T23:59:60Z":      "no leap second is known there",
		"2031-06-30T23:59:60Z":      "announced until 2026-06-28",
		"2016-12-31T23:59:60+01:00": "no leap second is known there",
		"2016-12-31T23:59:60":       "give RFC 3339",
	}
	for in, want := range bad {
		if i, err := ParseInstant(in); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v, %v; want an error with %q", in, i, err, want)
		}
	}
}

func TestTAIMinusUTCSaysWhatItAssumes(t *testing.T) {
	for _, c := range []struct {
		at    string
		want  float64
		known bool
	}{
		{"1965-03-01T00:00:00Z", 10, false},
		{"1971-12-31T23:59:59Z", 10, false},
		{"1972-01-01T00:00:00Z", 10, true},
		{"2016-12-31T23:59:59Z", 36, true},
		{"2017-01-01T00:00:00Z", 37, true},
		{"2026-06-27T23:59:59Z", 37, true},
		{"2026-06-28T00:00:00Z", 37, false},
		{"2050-01-01T00:00:00Z", 37, false},
	} {
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		if got, known := TAIMinusUTC(at); got != c.want || known != c.known {
			t.Errorf("%s: %v, known %v; want %v, %v", c.at, got, known, c.want, c.known)
		}
	}
}

func TestInstantsRoundTripAndRise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unix := rapid.Int64Range(0, 4102444800).Draw(t, "unix")
		nano := rapid.Int64Range(0, 999_999_999).Draw(t, "nano")
		at := time.Unix(unix, nano)
		i := InstantOf(at)
		back, err := ParseInstant(i.String())
		if err != nil || back != i || !back.Time().Equal(at) {
			t.Fatalf("%v comes back as %v, %v", i, back, err)
		}
		later := at.Add(time.Duration(rapid.Int64Range(1e6, 1e15).Draw(t, "step")))
		if JulianTT(later) <= JulianTT(at) || JulianUT(later) <= JulianUT(at) || DecimalYear(later) < DecimalYear(at) {
			t.Fatalf("time runs backwards from %v to %v", at, later)
		}
		if y := DecimalYear(at); int(y) != at.UTC().Year() && y != float64(at.UTC().Year()+1) {
			t.Fatalf("%v has decimal year %v", at, y)
		}
	})
}

func FuzzParseInstant(f *testing.F) {
	for _, s := range []string{"2026-09-12T21:30:00Z", "2016-12-31T23:59:60Z", "2017-01-01T08:59:60.5+09:00", "60", "2016-12-31T23:59:60", "0000-01-01T00:00:00+23:59", "9999-12-31T23:59:60-23:59"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		i, err := ParseInstant(s)
		if err != nil {
			return
		}
		year := i.Time().Add(-time.Second).Year()
		if year < 0 || year > 9998 { // an offset carried it out of RFC 3339
			return
		}
		back, err := ParseInstant(i.String())
		if err != nil || back != i {
			t.Fatalf("%q reads as %v, which reads as %v, %v", s, i, back, err)
		}
	})
}

func BenchmarkParseInstant(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ParseInstant("2026-09-12T21:30:05.25Z"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkJulianTT(b *testing.B) {
	at := time.Date(2026, 9, 12, 21, 30, 5, 0, time.UTC)
	b.ReportAllocs()
	for b.Loop() {
		JulianTT(at)
	}
}
