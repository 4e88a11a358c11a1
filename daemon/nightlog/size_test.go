package nightlog

import (
	"bytes"
	"encoding/csv"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"
)

// longNight turns on the whole night in the size test, with a sync each ten
// seconds of it; else an eighth of it is written and the rest inferred.
const longNight = "PLUMBSTAR_LONG_NIGHT"

// TestNightSize writes a night at one sample a second, committed every ten
// samples, and some full-rate data, and looks at what it costs: bytes in the file,
// bytes written, memory, time to export.
func TestNightSize(t *testing.T) {
	if underRace || testing.Short() {
		t.Skip("figures of cost mean nothing under the race detector or emulated")
	}
	const night = 12 * 3600
	n, share := night/8, 8
	if os.Getenv(longNight) != "" {
		n, share = night, 1
	}
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(11, 11))
	l := open(t, Options{Dir: dir})
	l.BeginNight(system(0), NightInfo{Name: "long", Site: larkmoor()})
	flush(t, l)
	wroteBefore, begin := writtenBytes(t), time.Now()
	var early, late uint64
	for i := range n {
		l.Sample(plausible(rng, time.Duration(i)*time.Second))
		if i%600 < 15 { // an event every ten minutes
			l.FullRate(fullSecond(rng, time.Duration(i)*time.Second, 100))
		}
		if i%10 == 9 {
			flush(t, l)
		}
		switch i {
		case n / 4:
			early = resident(t)
		case n - 1:
			late = resident(t)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	took := time.Since(begin)
	wrote := writtenBytes(t) - wroteBefore
	info, err := os.Stat(l.Path())
	if err != nil {
		t.Fatal(err)
	}
	mb := func(n uint64) float64 { return float64(n) / 1e6 }
	t.Logf("%d samples in %v: file %.1f MB, written %.1f MB (a whole night: %.1f and %.1f MB), resident %.1f then %.1f MB",
		n, took.Round(time.Millisecond), mb(uint64(info.Size())), mb(wrote), mb(uint64(info.Size()))*float64(share), mb(wrote)*float64(share), mb(early), mb(late))
	if size := mb(uint64(info.Size())) * float64(share); size > 20 {
		t.Errorf("a night takes %.1f MB", size)
	}
	if total := mb(wrote) * float64(share); total > 40 {
		t.Errorf("a night writes %.1f MB", total)
	}
	if late > early+4e6 {
		t.Errorf("resident memory grew from %d to %d bytes", early, late)
	}

	begin = time.Now()
	r := reader(t, l.Path())
	f, err := os.Create(filepath.Join(dir, "night.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Export(t.Context(), f, TableSamples, Latest, CSV); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	exported := time.Since(begin)
	t.Logf("exported in %v", exported.Round(time.Millisecond))
	if exported*time.Duration(share) > 5*time.Second {
		t.Errorf("the export took %v for 1/%d of a night", exported, share)
	}
	c := csv.NewReader(bytes.NewReader(read(t, f.Name())))
	rows := 0
	for {
		if _, err := c.Read(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		rows++
	}
	if rows != n+1 {
		t.Errorf("%d rows for %d samples", rows, n)
	}
}

// writtenBytes is what this process handed to the system for writing (Linux).
func writtenBytes(t *testing.T) uint64 { return procNumber(t, "/proc/self/io", "wchar:", 1) }

// resident is the memory of this process after a collection (Linux).
func resident(t *testing.T) uint64 {
	runtime.GC()
	return procNumber(t, "/proc/self/status", "VmRSS:", 1024)
}

func procNumber(t *testing.T, file, key string, unit uint64) uint64 {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("needs /proc")
	}
	for line := range strings.Lines(string(read(t, file))) {
		if rest, ok := strings.CutPrefix(line, key); ok {
			v, err := strconv.ParseUint(strings.Fields(rest)[0], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v * unit
		}
	}
	t.Fatalf("%s has no %s", file, key)
	return 0
}

// BenchmarkSample is what the loop pays for handing over a sample.
func BenchmarkSample(b *testing.B) {
	l := open(b, Options{Dir: b.TempDir()})
	s := plausible(rand.New(rand.NewPCG(1, 2)), 0)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		s.At = time.Duration(i) * time.Second
		l.Sample(s)
		if i%maxSamples == maxSamples-1 {
			b.StopTimer()
			flush(b, l)
			b.StartTimer()
		}
	}
}

// BenchmarkCommitted is what the writer pays for a sample, in batches of ten with
// a sync each.
func BenchmarkCommitted(b *testing.B) {
	l := open(b, Options{Dir: b.TempDir()})
	s := plausible(rand.New(rand.NewPCG(1, 2)), 0)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		s.At = time.Duration(i) * time.Second
		l.Sample(s)
		if i%10 == 9 {
			flush(b, l)
		}
	}
}

// BenchmarkFullRate is what the loop pays for handing over a full-rate second.
func BenchmarkFullRate(b *testing.B) {
	s := fullSecond(rand.New(rand.NewPCG(1, 2)), 0, 100)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		n = len(encodeSecond(s))
	}
	b.ReportMetric(float64(n), "B/second")
}
