package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbstar/daemon/nightlog"
	"plumbstar/daemon/scenario"
)

var lookAt = flag.String("report.dir", "", "write the page of a whole simulated night here, to look at")

func pageOf(tb testing.TB, dir string, night int64, o Options) string {
	tb.Helper()
	r, err := nightlog.OpenReader(tb.Context(), filepath.Join(dir, nightlog.FileName))
	if err != nil {
		tb.Fatal(err)
	}
	defer r.Close()
	var b bytes.Buffer
	if err := Write(tb.Context(), &b, r, night, o); err != nil {
		tb.Fatal(err)
	}
	return b.String()
}

// wellFormed reads a page as XML, and refuses what asks for something outside.
func wellFormed(tb testing.TB, page string) {
	tb.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict = true
	for {
		t, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			tb.Fatalf("not well-formed: %v", err)
		}
		if s, ok := t.(xml.StartElement); ok {
			switch s.Name.Local {
			case "script", "link", "img", "iframe", "object", "a", "form":
				tb.Errorf("<%s> in a page that must be complete in itself", s.Name.Local)
			}
			for _, a := range s.Attr {
				switch a.Name.Local {
				case "src", "href", "action", "srcset":
					tb.Errorf("%s=%q asks for something", a.Name.Local, a.Value)
				}
			}
		}
	}
	for _, u := range regexp.MustCompile(`url\([^)]*\)|@import`).FindAllString(page, -1) {
		if u != "url(#hatch)" {
			tb.Errorf("the style asks for %s", u)
		}
	}
	if m := regexp.MustCompile(`NaN|Inf|%!|<no value>`).FindString(page); m != "" {
		tb.Errorf("the page shows %q", m)
	}
}

func text(page string) string {
	page = page[strings.Index(page, "</style>"):]
	return strings.ReplaceAll(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, ""), "\u00a0", " ")
}

func TestPageOfANight(t *testing.T) {
	o := scenario.WatchOptions{Length: 90 * time.Minute, FallC: 8, Knocks: 1, MinDeg: 0.6, MaxDeg: 0.7}
	dir := logNight(t, 7, o)
	page := pageOf(t, dir, nightlog.Latest, Options{Version: "9.9"})
	wellFormed(t, page)
	words := text(page)
	for _, want := range []string{
		"Night 1: first clear one", "Larkmoor", "51.9000° N", "The watch began at 18:40", "0.08° ± 0.04° from the pole",
		"The axis moved once: knock at", "120 s no longer held", "The clock made no step", "accelerometer (by board)",
		"settings.inertial.chip LSM6DSO", "plumbstar 9.9", "Wind from the west", "no readings",
	} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, secret := range []string{"hunter", "token=abc", "user:word"} {
		if strings.Contains(page, secret) {
			t.Errorf("the page shows %q", secret)
		}
	}
	german := pageOf(t, dir, 1, Options{Lang: "de", Night: true})
	wellFormed(t, german)
	if w := text(german); !strings.Contains(w, "Die Achse bewegte sich einmal: Stoß um") || !strings.Contains(w, "0,08° ± 0,04° neben dem Pol") || !strings.Contains(german, "checked") {
		t.Errorf("in German:\n%s", w)
	}
}

// TestLookAt writes what a person should look at; see the flag.
func TestLookAt(t *testing.T) {
	if *lookAt == "" {
		t.Skip("only with -report.dir")
	}
	dir := logNight(t, 21, scenario.WatchOptions{FallC: 15, Knocks: 1, Sinks: 1, MinDeg: 0.15, MaxDeg: 0.4})
	for name, o := range map[string]Options{"night.html": {Version: "test"}, "night-de.html": {Lang: "de", Version: "test"}, "night-red.html": {Night: true, Version: "test"}} {
		begin := time.Now()
		page := pageOf(t, dir, nightlog.Latest, o)
		t.Logf("%s: %d bytes in %v", name, len(page), time.Since(begin))
		wellFormed(t, page)
		if err := os.WriteFile(filepath.Join(*lookAt, name), []byte(page), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestEmptyNights: nothing logged, nothing known, open, and dated by a clock that
// was far off.
func TestEmptyNights(t *testing.T) {
	dir := t.TempDir()
	l := nightlog.Start(nightlog.Options{Dir: dir, Opened: moment(0)})
	l.BeginNight(moment(0), nightlog.NightInfo{})
	l.EndNight(moment(time.Second))
	l.BeginNight(nightlog.Moment{At: time.Hour, UTC: time.Unix(0, 0), SigmaS: -1, Source: "system"}, nightlog.NightInfo{
		Name: "<b>&\"bold\"", Note: "a\nb", Site: &nightlog.Site{Name: "nowhere", LatDeg: 99}, Settings: []byte(`[1,{"a":[{"b":null}]}]`),
	})
	s := nightlog.NewSample(time.Hour)
	s.State = "lost"
	l.Sample(s)
	l.Event(time.Hour, nightlog.Event{Kind: "no-such-kind", Text: "<i>x</i>", Numbers: map[string]float64{keyError: 1, keyUp: math.Inf(1)}})
	l.Event(time.Hour, nightlog.Event{Kind: "knock"})
	l.Event(time.Hour, nightlog.Event{Kind: kindClockStep, Numbers: map[string]float64{keyStep: -4}})
	l.ResumeNight(moment(2*time.Hour), 2) // 56 years later
	s = nightlog.NewSample(2 * time.Hour)
	s.AxisAltitude.Deg, s.VibrationMS2 = 40, 0
	l.Sample(s)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for _, lang := range Languages() {
		wellFormed(t, pageOf(t, dir, 1, Options{Lang: lang}))
		page := pageOf(t, dir, 2, Options{Lang: lang})
		wellFormed(t, page)
		if strings.Contains(page, "<i>") || strings.Contains(page, `<b>&"`) {
			t.Error("what a person typed is not escaped")
		}
	}
	words := text(pageOf(t, dir, 2, Options{}))
	for _, want := range []string{"still open", "no place on the Earth", "The watch was never begun", "rows lie outside the time shown"} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q:\n%s", want, words)
		}
	}
}

// TestBlanksAgree: every sentence is there in both, with as many blanks.
func TestBlanksAgree(t *testing.T) {
	a, b := sentencesOf(english), sentencesOf(german)
	for name, s := range a {
		if n, m := strings.Count(s, "%s"), strings.Count(b[name], "%s"); s == "" || b[name] == "" || n != m {
			t.Errorf("%s: %q and %q", name, s, b[name])
		}
	}
	for k := range english.kinds {
		if german.kinds[k] == "" {
			t.Errorf("event %q has no German name", k)
		}
	}
}

func TestSpikesStay(t *testing.T) {
	var c columns
	for i := range 12 * 3600 {
		v := 0.0
		switch i {
		case 20_000:
			v = 5
		case 40_000:
			v = -3
		}
		c.add(float64(i), temperature, v)
	}
	if low, high, ok := c.reach(temperature, 0); !ok || low != -3 || high != 5 {
		t.Errorf("from %g to %g of spikes to -3 and 5", low, high)
	}
	if c.used > mostColumns || c.used < mostColumns/2 || c.widthS != 64 {
		t.Errorf("%d columns of %g s", c.used, c.widthS)
	}
	k := int(20_000 / c.widthS)
	if x := c.cells[k][temperature]; x.high != 5 || x.low != 0 || x.n != 64 {
		t.Errorf("%+v", x)
	}
	c.add(math.NaN(), temperature, 9)
	c.add(-1, temperature, 9)
	c.add(1e9, temperature, 9)
	if _, high, _ := c.reach(temperature, 0); high != 5 {
		t.Error("a sample from outside the axis counts")
	}
}

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		first     float64
		n, digits int
	}{{0, 1, 0, 3, 1}, {-0.12, 0.31, 0, 2, 1}, {48.1, 48.9, 48.2, 4, 1}, {0, 0.004, 0, 5, 3}, {-20, 15, -20, 4, 0}} {
		got, digits := ticks(c.low, c.high, 4)
		if len(got) == 0 || math.Abs(got[0]-c.first) > 1e-9 || len(got) != c.n || digits != c.digits {
			t.Errorf("%g to %g: %v with %d decimals", c.low, c.high, got, digits)
		}
	}
	if got, _ := ticks(1, 1, 4); got != nil {
		t.Errorf("no room: %v", got)
	}
}

func BenchmarkPageOfTwelveHours(b *testing.B) {
	dir := logNight(b, 5, scenario.WatchOptions{Length: 12*time.Hour - scenario.WatchArm, Knocks: 4, Sinks: 1})
	b.ReportAllocs()
	for b.Loop() {
		pageOf(b, dir, nightlog.Latest, Options{})
	}
}
