package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"

	"plumbstar/astro/geomag"
)

// doubling is a table that is easy to foresee.
func doubling() csvTable {
	return csvTable{
		need: []string{"x"}, add: []string{"twice"},
		answer: func(in, out []string) error {
			v, err := csvNumber("x", in[0])
			out[0] = csvFixed(2*v, 1)
			return err
		},
	}
}

func TestCSVRowsAreAnsweredWhileMoreAreWaitedFor(t *testing.T) {
	in, feed := io.Pipe()
	read, out := io.Pipe()
	done := make(chan error, 1)
	go func() {
		err := doubling().run(context.Background(), "pipe", in, out, io.Discard)
		out.CloseWithError(err)
		done <- err
	}()
	lines := bufio.NewReader(read)
	for _, step := range []struct{ put, want string }{{"x,note\n", "x,note,twice\n"}, {"1.5,a\n", "1.5,a,3.0\n"}, {"4,b\n", "4,b,8.0\n"}} {
		if _, err := io.WriteString(feed, step.put); err != nil {
			t.Fatal(err)
		}
		if got, err := lines.ReadString('\n'); err != nil || got != step.want {
			t.Fatalf("%q, %v; want %q", got, err, step.want)
		}
	}
	feed.Close()
	if rest, err := io.ReadAll(lines); err != nil || len(rest) != 0 {
		t.Errorf("%q, %v", rest, err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestCSVStopsWhenReadingWritingOrTimeEnds(t *testing.T) {
	broken := errors.New("disk gone")
	in := io.MultiReader(strings.NewReader("x\n1\n"), iotest.ErrReader(broken))
	var out bytes.Buffer
	if err := doubling().run(context.Background(), "in", in, &out, io.Discard); !errors.Is(err, broken) || out.String() != "x,twice\n1,2.0\n" {
		t.Errorf("reading: %v, %q", err, out.String())
	}
	full := errors.New("disk full")
	if err := doubling().run(context.Background(), "in", strings.NewReader("x\n1\n"), failingWriter{full}, io.Discard); !errors.Is(err, full) {
		t.Errorf("writing: %v", err)
	}
	if err := doubling().run(context.Background(), "in", strings.NewReader("x\nq\n"), io.Discard, failingWriter{full}); !errors.Is(err, full) {
		t.Errorf("complaining: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := doubling().run(ctx, "in", strings.NewReader("x\n1\n"), io.Discard, io.Discard); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

type failingWriter struct{ err error }

func (w failingWriter) Write([]byte) (int, error) { return 0, w.err }

// Whatever comes in, the output is a table with one row for each of the
// input's, and each row without an answer has its one line of complaint.
func FuzzCSV(f *testing.F) {
	f.Add("lat_deg,lon_deg,height_km,decimal_year\n51.9,8.4,0.1,2026.4\n95,8.4,0,2026\n1,2\n")
	f.Add("\ufeffnote,height_km,decimal_year,lon_deg,lat_deg\r\n\"a\nb\",0,2025,-180,-90\r\n\"x,0,2025,0,0\n")
	f.Add("lat_deg,lon_deg,height_km,decimal_year\n1e999,NaN,0x1p-2,2_025\n\"\"\"\",,,\n")
	table := declinationTable(geomag.WMM2025())
	f.Fuzz(func(t *testing.T, text string) {
		var out, complaints bytes.Buffer
		if err := table.run(context.Background(), "in", strings.NewReader(text), &out, &complaints); err != nil {
			if out.Len() > 0 || complaints.Len() > 0 {
				t.Fatalf("%v after %q", err, out.String())
			}
			return
		}
		rows, err := csv.NewReader(&out).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		empty := 0
		for _, row := range rows[1:] {
			added := row[len(row)-len(table.add):]
			if strings.Join(added, "") == "" {
				empty++
			} else if added[0] == "" || added[7] == "" {
				t.Fatalf("half a row: %q", row)
			}
		}
		if got := strings.Count(complaints.String(), "\n"); got != empty {
			t.Fatalf("%d complaints for %d rows without answer: %q", got, empty, complaints.String())
		}
	})
}

// A quote that is never closed ends with an error, not with the memory.
func TestCSVRowsAreBounded(t *testing.T) {
	endless := io.MultiReader(strings.NewReader("n\n1\n\""), zeros{})
	c := csvTable{need: []string{"n"}, add: []string{"m"}, answer: func(in, out []string) error { out[0] = in[0]; return nil }}
	var out strings.Builder
	err := c.run(t.Context(), "x.csv", endless, &out, io.Discard)
	if err == nil || !strings.Contains(err.Error(), "row 2") || !strings.Contains(err.Error(), "quote") || !strings.HasPrefix(out.String(), "n,m\n1,1\n") {
		t.Errorf("%v\n%s", err, out.String())
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '0'
	}
	return len(p), nil
}

func TestAngleTexts(t *testing.T) {
	for _, tt := range []struct {
		deg      float64
		decimals int
		want     string
	}{{359.951, 1, "0.0"}, {359.94, 1, "359.9"}, {359.99996, 4, "0.0000"}, {0, 2, "0.00"}, {-0.00004, 3, "0.000"}, {36, 0, "36"}} {
		if got := aroundFixed(tt.deg, tt.decimals); got != tt.want {
			t.Errorf("%v with %d decimals: %s, want %s", tt.deg, tt.decimals, got, tt.want)
		}
	}
	if got := csvFixed(-0.5, 1) + csvFixed(math.Copysign(0, -1), 2) + csvFixed(-0.04, 1); got != "-0.50.000.0" {
		t.Errorf("%s", got)
	}
}
