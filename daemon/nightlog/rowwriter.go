package nightlog

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Format is the form of an export.
type Format string

const (
	CSV       Format = "csv"   // RFC 4180, one header line
	JSONLines Format = "jsonl" // one object a line
)

// ParseFormat reads the name of a format.
func ParseFormat(s string) (Format, error) {
	if f := Format(s); f == CSV || f == JSONLines {
		return f, nil
	}
	return "", fmt.Errorf("format %q: use %s or %s", s, CSV, JSONLines)
}

// rowWriter writes cells in the order of its columns, in either format. Errors of
// the writer behind it come from end and flush.
type rowWriter struct {
	w     *bufio.Writer
	jsonl bool
	keys  [][]byte // of JSON lines: `{"night":`, `,"t_s":`
	next  int
	buf   []byte
}

func newRowWriter(w io.Writer, f Format, fields []Field) *rowWriter {
	r := &rowWriter{w: bufio.NewWriterSize(w, 64<<10), jsonl: f == JSONLines}
	for i, f := range fields {
		switch {
		case r.jsonl:
			open := ","
			if i == 0 {
				open = "{"
			}
			r.keys = append(r.keys, []byte(open+strconv.Quote(f.Name)+":"))
		case i > 0:
			r.buf = append(r.buf, ',')
			fallthrough
		default:
			r.buf = append(r.buf, f.Name...)
		}
	}
	if !r.jsonl {
		r.buf = append(r.buf, '\n')
	}
	return r
}

// cell begins the next cell.
func (r *rowWriter) cell() {
	if r.jsonl {
		r.buf = append(r.buf, r.keys[r.next]...)
	} else if r.next > 0 {
		r.buf = append(r.buf, ',')
	}
	r.next++
}

func (r *rowWriter) null() {
	r.cell()
	if r.jsonl {
		r.buf = append(r.buf, "null"...)
	}
}

// number writes v with so many decimals, -1 for as many as it takes.
func (r *rowWriter) number(v float64, decimals int) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		r.null()
		return
	}
	r.cell()
	r.buf = strconv.AppendFloat(r.buf, v, 'f', decimals, 64)
}

// row writes the number of another row, empty for 0.
func (r *rowWriter) row(id int64) {
	if id == 0 {
		r.null()
		return
	}
	r.cell()
	r.buf = strconv.AppendInt(r.buf, id, 10)
}

// text writes what somebody may have typed. A spreadsheet takes a cell of CSV that
// begins like a formula for one and would run it; an apostrophe in front makes it
// text (common practice, no source).
func (r *rowWriter) text(s string) {
	r.cell()
	if !r.jsonl && s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		s = "'" + s
	}
	switch {
	case r.jsonl:
		b, err := json.Marshal(s)
		if err != nil { // not reached: every string can be written
			b = []byte("null")
		}
		r.buf = append(r.buf, b...)
	case strings.ContainsAny(s, "\",\r\n"):
		r.buf = append(append(append(r.buf, '"'), strings.ReplaceAll(s, `"`, `""`)...), '"')
	default:
		r.buf = append(r.buf, s...)
	}
}

func (r *rowWriter) json(raw json.RawMessage) {
	switch {
	case len(raw) == 0:
		r.null()
	case r.jsonl:
		r.cell()
		r.buf = append(r.buf, strings.NewReplacer("\n", " ", "\r", " ").Replace(string(raw))...)
	default:
		r.text(string(raw))
	}
}

func (r *rowWriter) time(t time.Time) {
	const form = "2006-01-02T15:04:05.000Z"
	if t.IsZero() {
		r.null()
		return
	}
	r.cell()
	if r.jsonl {
		r.buf = append(r.buf, '"')
	}
	r.buf = t.UTC().AppendFormat(r.buf, form)
	if r.jsonl {
		r.buf = append(r.buf, '"')
	}
}

func (r *rowWriter) site(s *Site) {
	if s == nil {
		for range 4 {
			r.null()
		}
		return
	}
	r.text(s.Name)
	r.number(s.LatDeg, -1)
	r.number(s.LonDeg, -1)
	r.number(s.HeightM, -1)
}

// end ends the row.
func (r *rowWriter) end() error {
	if r.jsonl {
		r.buf = append(r.buf, '}')
	}
	r.buf = append(r.buf, '\n')
	r.next = 0
	_, err := r.w.Write(r.buf)
	r.buf = r.buf[:0]
	return err
}

func (r *rowWriter) flush() error {
	if _, err := r.w.Write(r.buf); err != nil { // a header without rows
		return err
	}
	return r.w.Flush()
}
