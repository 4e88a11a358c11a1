package geomag

import (
	"bytes"
	"errors"
	"io"
	"os"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"
)

const (
	tinyHeader = "    2030.0            WMM-2030        12/17/2029\n"
	tinyRows   = "  1  0  -29351.8       0.0       12.0        0.0\n  1  1   -1410.8    4545.4        9.7      -21.5\n"
	tinyEnd    = "999999999999999999999999999999999999999999999999\n"
)

func TestLoadTakesWhatPublishersWrite(t *testing.T) {
	want, err := Load(bytes.NewReader(wmm2025))
	if err != nil {
		t.Fatal(err)
	}
	spaced, err := os.ReadFile(refdata + "WMM2025.COF")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"first publication": string(spaced),
		"CR LF":             strings.ReplaceAll(string(wmm2025), "\n", "\r\n"),
		"byte order mark":   "\ufeff" + string(wmm2025),
		"blank lines":       strings.ReplaceAll(string(wmm2025), "\n", "\n\n"),
		"no last newline":   strings.TrimRight(string(wmm2025), "\n"),
		"text at the end":   string(wmm2025) + "\x00 anything",
	} {
		got, err := Load(strings.NewReader(text))
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	later, err := Load(strings.NewReader(tinyHeader + tinyRows + tinyEnd))
	if err != nil {
		t.Fatal(err)
	}
	if later.Name() != "WMM-2030" || later.Degree() != 1 || later.ValidFrom() != 2030 || later.ValidUntil() != 2035 || later.Released() != "12/17/2029" {
		t.Errorf("%+v", later)
	}
	// A dipole alone: at its own equator the field is the first coefficients.
	f := mustAt(t, later, 0, 0, 0, 2030)
	if f.NorthNT < 29100 || f.NorthNT > 29352 || f.DownNT < 2800 || f.DownNT > 2822 || f.EastNT > -4490 || f.EastNT < -4546 {
		t.Errorf("dipole at 0 0: %+v", f)
	}
}

func TestLoadRefusesWhatDoesNotHoldTogether(t *testing.T) {
	row := func(old, new string) string {
		return tinyHeader + strings.Replace(tinyRows, old, new, 1) + tinyEnd
	}
	for _, c := range []struct{ text, says string }{
		{"", "line 1: the file is empty"},
		{"\n", "line 1: \"\" is no header"},
		{"<html>", "line 1: \"<html>\" is no header"},
		{"# Field 1: Date\n", "line 1: epoch \"#\""},
		{"NaN WMM x\n", "line 1: epoch \"NaN\""},
		{"20.25 WMM x\n", "line 1: epoch \"20.25\""},
		{"2030 W\x1b[31m x\n", "line 1: name"},
		{"2030 " + strings.Repeat("W", 41), "line 1: name"},
		{tinyHeader, "line 2: the row of 9s that ends the file is missing"},
		{tinyHeader + tinyRows, "line 4: the row of 9s"},
		{tinyHeader + tinyEnd, "line 2: the file ends within degree 1, order 0 missing"},
		{tinyHeader + tinyRows[:strings.Index(tinyRows, "\n")+1] + tinyEnd, "line 3: the file ends within degree 1, order 1 missing"},
		{tinyHeader + tinyRows + "  2  0  -2556.6       0.0      -11.6        0.0\n" + tinyEnd, "line 5: the file ends within degree 2, order 1 missing"},
		{row("  1  1", "  1  0"), "line 3: degree 1 order 0 stands where 1 1 belongs"},
		{row("  1  1", "  2  1"), "line 3: degree 2 order 1 stands where 1 1 belongs"},
		{row("  1  0", " -1  0"), "line 2: degree -1 order 0 stands where 1 0 belongs"},
		{row("  1  0", " 1.5  0"), "line 2: column 1: \"1.5\" is no whole number"},
		{row("-29351.8", "-29351,8"), "line 2: column 3: \"-29351,8\" is no number"},
		{row("-29351.8", "NaN"), "line 2: column 3: NaN is beyond"},
		{row("-29351.8", "-Inf"), "line 2: column 3: -Inf is beyond"},
		{row("-29351.8", "1e300"), "line 2: column 3: 1e300 is beyond"},
		{row("12.0", "12000.0"), "line 2: column 5: 12000.0 is beyond"},
		{row("       0.0", "       0.5"), "line 2: degree 1 order 0: h and its rate must be 0"},
		{row("       9.7      -21.5", ""), "line 3: 4 columns, want 6"},
		{tinyHeader + strings.Repeat("x", 100_000), "line 2: bufio.Scanner: token too long"},
	} {
		m, err := Load(strings.NewReader(c.text))
		if err == nil || m != nil || !strings.Contains(err.Error(), c.says) || strings.ContainsAny(err.Error(), "\n\x1b") {
			t.Errorf("%.60q: %v, want %q", c.text, err, c.says)
		}
	}
	broken := errors.New("disk gone")
	if _, err := Load(io.MultiReader(strings.NewReader(tinyHeader+tinyRows), iotest.ErrReader(broken))); !errors.Is(err, broken) || !strings.Contains(err.Error(), "line 4: disk gone") {
		t.Errorf("%v", err)
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(tinyHeader + tinyRows + tinyEnd))
	f.Add([]byte(tinyHeader + strings.Replace(tinyRows, "-29351.8", "1e5", 1) + tinyEnd))
	f.Add([]byte("2025 \xff\n1 0 0x1p3 0 0 0\n1 1 1_0 0 0 0\n9"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := Load(bytes.NewReader(text))
		if err != nil {
			if strings.ContainsAny(err.Error(), "\n\r\x1b") || !strings.HasPrefix(err.Error(), "coefficient file, line ") {
				t.Fatalf("%q", err)
			}
			return
		}
		for _, lat := range []float64{-90, 12, 90} {
			// What passes is finite, even where the numbers are no planet's.
			got, err := m.At(lat, 100, -1, m.ValidUntil())
			if err != nil {
				t.Fatal(err)
			}
			if sum := got.TotalNT + got.DeclinationDeg + got.InclinationDeg + got.DeclinationSigmaDeg; sum != sum || got.TotalNT > 1e12 {
				t.Fatalf("%+v", got)
			}
		}
	})
}
