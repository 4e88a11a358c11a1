package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
)

// csvTable is a computation on every row of a CSV file. The output has the
// input's columns, whatever they are, followed by the added ones.
type csvTable struct {
	need []string // columns that must be there, in any order
	add  []string // columns that the computation fills
	// answer fills out, one cell for each of add, from in, one for each of
	// need. After an error the row's added cells stay empty, unless it is a partial.
	answer func(in, out []string) error
}

// partial is the reason why some, but not all, cells of a row stay empty.
type partial struct{ why string }

func (p partial) Error() string { return p.why }

// runFile works on the file at path, "-" for standard input, and writes to
// standard output. A row that cannot be answered costs one line on stderr; the
// error is for a header that does not fit or for reading and writing itself.
func (c csvTable) runFile(ctx context.Context, e env, path string) error {
	in, name := e.stdin, "standard input"
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return fmt.Errorf("%w: give a readable CSV file or - for standard input", err)
		}
		defer f.Close()
		in, name = f, path
	}
	if err := c.run(ctx, name, in, e.stdout, e.stderr); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

func (c csvTable) run(ctx context.Context, name string, in io.Reader, out, complaints io.Writer) error {
	bounded := &rowBound{in: in}
	buffered := bufio.NewReaderSize(bounded, 1<<16)
	r := csv.NewReader(buffered)
	r.ReuseRecord = true
	r.FieldsPerRecord = -1
	w := csv.NewWriter(bufio.NewWriterSize(out, 1<<16))

	head, err := r.Read()
	switch {
	case errors.Is(err, io.EOF):
		return fmt.Errorf("empty: the first line must name the columns %s", strings.Join(c.need, ","))
	case errors.As(err, new(*csv.ParseError)):
		return fmt.Errorf("%w: the first line must name the columns %s", err, strings.Join(c.need, ","))
	case err != nil:
		return err
	}
	columns, places, err := c.header(head)
	if err != nil {
		return err
	}
	width := len(columns)
	cells := append(columns, c.add...)
	if err := w.Write(cells); err != nil {
		return err
	}
	got := make([]string, len(c.need))
	for row := 1; ; row++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		if buffered.Buffered() == 0 { // about to wait for more: let the reader at the other end have what there is
			if err := flush(w); err != nil {
				return err
			}
		}
		bounded.read = 0
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			return flush(w)
		}
		clear(cells)
		copy(cells[:width], record)
		line := 0
		var syntax *csv.ParseError
		switch {
		case errors.As(err, &syntax):
			line, err = syntax.StartLine, fmt.Errorf("%w: quotes must come in pairs around a cell", syntax.Err)
		case err != nil:
			return errors.Join(fmt.Errorf("row %d: %w", row, err), flush(w))
		default:
			line, _ = r.FieldPos(0)
			err = c.fill(record, places, got, cells, width)
		}
		if err != nil {
			if !errors.As(err, new(partial)) {
				clear(cells[width:])
			}
			if _, err := fmt.Fprintf(complaints, "plumbstar: %s: row %d (line %d): %v\n", name, row, line, err); err != nil {
				return err
			}
		}
		if err := w.Write(cells); err != nil {
			return err
		}
	}
}

// longestRow bounds a row: a quote that is never closed would take in all the rest.
const longestRow = 1 << 20

// rowBound is a reader that ends with an error when one row asks for too much.
type rowBound struct {
	in   io.Reader
	read int // since the row began
}

func (b *rowBound) Read(p []byte) (int, error) {
	if b.read > longestRow {
		return 0, fmt.Errorf("a row is longer than %d bytes: is a quote left open?", longestRow)
	}
	n, err := b.in.Read(p)
	b.read += n
	return n, err
}

// fill answers one well-formed row.
func (c csvTable) fill(record []string, places []int, got, cells []string, width int) error {
	if len(record) != width {
		return fmt.Errorf("%d cells, the header has %d", len(record), width)
	}
	for i, at := range places {
		got[i] = strings.TrimSpace(record[at])
	}
	return c.answer(got, cells[width:])
}

// header checks the names and finds the needed columns.
func (c csvTable) header(head []string) (columns []string, places []int, err error) {
	columns = slices.Clone(head)
	columns[0] = strings.TrimPrefix(columns[0], "\ufeff")
	for i, name := range columns {
		name = strings.TrimSpace(name)
		if slices.Contains(c.add, name) {
			return nil, nil, fmt.Errorf("line 1: column %s is there already: rename or remove it, it will be computed", name)
		}
		if slices.Contains(c.need, name) && slices.Contains(columns[:i], name) {
			return nil, nil, fmt.Errorf("line 1: column %s is there twice: remove one", name)
		}
		columns[i] = name
	}
	for _, name := range c.need {
		at := slices.Index(columns, name)
		if at < 0 {
			return nil, nil, fmt.Errorf("line 1: no column %s: the header must name %s", name, strings.Join(c.need, ","))
		}
		places = append(places, at)
	}
	return columns, places, nil
}

func flush(w *csv.Writer) error {
	w.Flush()
	return w.Error()
}

// csvNumber reads a cell that must hold a finite number.
func csvNumber(column, cell string) (float64, error) {
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%s %.40q: give a number with a decimal point", column, cell)
	}
	return v, nil
}

// csvFixed writes a number with so many decimals; what rounds to zero has no sign.
func csvFixed(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if text[0] == '-' && strings.Trim(text, "-0.") == "" {
		return text[1:]
	}
	return text
}

// aroundFixed is csvFixed for an angle from 0 to 360: what rounds to 360 is 0.
func aroundFixed(deg float64, decimals int) string {
	text := csvFixed(deg, decimals)
	if strings.HasPrefix(text, "360") {
		return csvFixed(0, decimals)
	}
	return text
}
