package sensortest

import (
	"compress/gzip"
	"encoding/csv"
	"os"
	"strconv"
	"testing"
)

// Columns reads the named columns of a gzip-compressed CSV file with a header,
// row by row.
func Columns(tb testing.TB, path string, names ...string) [][]float64 {
	tb.Helper()
	f, err := os.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		tb.Fatalf("%s: %v", path, err)
	}
	rows, err := csv.NewReader(z).ReadAll()
	if err != nil {
		tb.Fatalf("%s: %v", path, err)
	}
	at := map[string]int{}
	for i, name := range rows[0] {
		at[name] = i
	}
	out := make([][]float64, 0, len(rows)-1)
	for n, row := range rows[1:] {
		v := make([]float64, len(names))
		for i, name := range names {
			col, ok := at[name]
			if !ok {
				tb.Fatalf("%s: no column %s", path, name)
			}
			if v[i], err = strconv.ParseFloat(row[col], 64); err != nil {
				tb.Fatalf("%s: row %d: %v", path, n+1, err)
			}
		}
		out = append(out, v)
	}
	return out
}

// Transcript reads a transcript file.
func Transcript(tb testing.TB, path string) []Transfer {
	tb.Helper()
	f, err := os.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	t, err := ParseTranscript(f)
	if err != nil {
		tb.Fatalf("%s: %v", path, err)
	}
	return t
}
