// Package recorded reads recordings of a motion and field sensor and plays
// them through the interfaces of package sensors, at the speed of any clock.
//
// A recording is a CSV file with a header line, plain or gzip-compressed:
//
//	t_s,ax,ay,az,gx,gy,gz,mx,my,mz,temp_C,qw,qx,qy,qz,moving
//
// t_s is the time of the reading in seconds; ax to az the specific force in
// m/s² (+g on the axis that points up); gx to gz the angular rate in rad/s; mx
// to mz the magnetic field in µT; temp_C the chip temperature; qw to qz the true
// attitude as a unit quaternion that turns sensor vectors into east, north, up
// (v_E = q v q*); moving is 1 in the phases that a score counts. Columns are
// found by name in any order and case, others are ignored. t_s and one of the
// groups ax… and mx… must be there; an empty cell, or nan, is a missing value.
package recorded

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// MaxLineBytes is the longest line that a Reader accepts, line end included.
const MaxLineBytes = 64 << 10

// Row is one line of a recording.
type Row struct {
	Line int           // in the file, the header being line 1
	T    time.Duration // t_s; may start below zero, never goes back

	Inertial    sensors.InertialSample // At is T; Gyro is zero when the file has none
	HasInertial bool
	Magnetic    sensors.MagneticSample // At is T
	HasMagnetic bool

	// Truth turns sensor vectors into east, north, up; normalised.
	Truth    quat.Number
	HasTruth bool
	// Moving is the column of that name, false where it is missing.
	Moving bool
}

// Error says where in a recording something is wrong and what to do about it.
type Error struct {
	Line   int    // 1 is the header
	Column string // name of the column; empty when the line as a whole is meant
	Err    error
}

func (e *Error) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("line %d: %v", e.Line, e.Err)
	}
	return fmt.Sprintf("line %d, column %s: %v", e.Line, e.Column, e.Err)
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// Reader reads a recording line by line, in constant memory.
type Reader struct {
	in    *bufio.Reader
	line  int
	cols  columns
	cells [columnCount][]byte
	last  time.Duration
	begun bool
	err   error // sticky
}

// NewReader reads the header of the recording in r, which may be
// gzip-compressed. It does not close r.
func NewReader(r io.Reader) (*Reader, error) {
	in := bufio.NewReaderSize(r, MaxLineBytes)
	if magic, _ := in.Peek(2); len(magic) == 2 && magic[0] == 0x1f && magic[1] == 0x8b {
		z, err := gzip.NewReader(in)
		if err != nil {
			return nil, fmt.Errorf("not a readable gzip file: %w: record or copy the file again", err)
		}
		in = bufio.NewReaderSize(z, MaxLineBytes)
	}
	rd := &Reader{in: in}
	header, err := rd.readLine()
	if err == io.EOF {
		return nil, errors.New("the recording is empty: its first line must name the columns, for example t_s,ax,ay,az,gx,gy,gz,mx,my,mz")
	}
	if err != nil {
		return nil, err
	}
	if rd.cols, err = parseHeader(bytes.TrimPrefix(header, []byte("\ufeff"))); err != nil {
		return nil, err
	}
	return rd, nil
}

// HasInertial, HasGyro, HasMagnetic and HasTruth report which groups of columns
// the header names; single rows may still lack their values.
func (r *Reader) HasInertial() bool { return r.cols.has(colAX) }

// HasGyro: see HasInertial.
func (r *Reader) HasGyro() bool { return r.cols.has(colGX) }

// HasMagnetic: see HasInertial.
func (r *Reader) HasMagnetic() bool { return r.cols.has(colMX) }

// HasTruth: see HasInertial.
func (r *Reader) HasTruth() bool { return r.cols.has(colQW) }

// Next is the next row, or io.EOF after the last one. Empty lines are passed
// over. Any other error is final and is returned again by every later call.
func (r *Reader) Next() (Row, error) {
	var row Row
	err := r.next(&row)
	return row, err
}

func (r *Reader) next(row *Row) error {
	if r.err == nil {
		r.err = r.parseNext(row)
	}
	return r.err
}

// readLine is the next line that is not empty, without its end. The slice is
// valid until the next call.
func (r *Reader) readLine() ([]byte, error) {
	for {
		b, err := r.in.ReadSlice('\n')
		if len(b) > 0 || err == nil {
			r.line++
		}
		switch {
		case err == bufio.ErrBufferFull:
			return nil, &Error{Line: r.line, Err: fmt.Errorf("longer than %d bytes: this is no recording of sensor rows", MaxLineBytes)}
		case err != nil && err != io.EOF:
			return nil, &Error{Line: r.line + 1, Err: fmt.Errorf("cannot be read: %w", err)}
		}
		if b = bytes.TrimSpace(b); len(b) > 0 {
			return b, nil
		}
		if err == io.EOF {
			return nil, io.EOF
		}
	}
}

func (r *Reader) parseNext(row *Row) error {
	b, err := r.readLine()
	if err != nil {
		return err
	}
	if err := r.split(b); err != nil {
		return err
	}
	*row = Row{Line: r.line}
	if err := r.parseTime(row); err != nil {
		return err
	}
	temp := math.NaN()
	if r.cols.has(colTemp) {
		v, ok, err := r.number(colTemp)
		if err != nil {
			return err
		}
		if ok {
			temp = v
		}
	}
	if err := r.parseInertial(row, temp); err != nil {
		return err
	}
	if row.Magnetic.FieldUT, row.HasMagnetic, err = r.vector(colMX); err != nil {
		return err
	}
	row.Magnetic.At, row.Magnetic.TempC = row.T, math.NaN()
	if !r.cols.has(colAX) {
		row.Magnetic.TempC = temp
	}
	return r.parseTruth(row)
}

// split lays the cells of line b into r.cells by column.
func (r *Reader) split(b []byte) error {
	n := 0
	for {
		i := bytes.IndexByte(b, ',')
		cell := b
		if i >= 0 {
			cell = b[:i]
		}
		if n < len(r.cols.at) {
			if c := r.cols.at[n]; c != colIgnored {
				r.cells[c] = trimCell(cell)
			}
		}
		n++
		if i < 0 {
			break
		}
		b = b[i+1:]
	}
	if n != len(r.cols.at) {
		return &Error{Line: r.line, Err: fmt.Errorf("%d cells where the header names %d columns: complete the line or remove it", n, len(r.cols.at))}
	}
	return nil
}

func (r *Reader) parseTime(row *Row) error {
	t, ok, err := r.number(colT)
	if err != nil {
		return err
	}
	if !ok {
		return r.wrong(colT, "every row needs its time")
	}
	row.T = time.Duration(math.Round(t * 1e9))
	if r.begun && row.T < r.last {
		return r.wrong(colT, fmt.Sprintf("%v s is before the row above (%v s): sort the rows by time", t, r.last.Seconds()))
	}
	r.last, r.begun = row.T, true
	return nil
}

func (r *Reader) parseInertial(row *Row, temp float64) error {
	accel, hasAccel, err := r.vector(colAX)
	if err != nil {
		return err
	}
	gyro, hasGyro, err := r.vector(colGX)
	if err != nil {
		return err
	}
	if r.cols.has(colGX) && hasAccel != hasGyro {
		c := colAX
		if hasAccel {
			c = colGX
		}
		return r.wrong(c, "missing although the row has the other half of the inertial reading: give all of ax to gz or none")
	}
	row.HasInertial = hasAccel
	row.Inertial = sensors.InertialSample{At: row.T, Accel: accel, Gyro: gyro, TempC: temp}
	return nil
}

func (r *Reader) parseTruth(row *Row) error {
	if r.cols.has(colQW) {
		w, ok, err := r.number(colQW)
		if err != nil {
			return err
		}
		v, okV, err := r.vector(colQX)
		if err != nil {
			return err
		}
		if ok != okV {
			return r.wrong(colQW, "part of the quaternion is missing: give all of qw to qz or none")
		}
		if ok {
			n := math.Sqrt(w*w + r3.Norm2(v))
			if math.Abs(n-1) > 0.05 {
				return r.wrong(colQW, fmt.Sprintf("the quaternion has length %.3g: give a unit quaternion, scalar first", n))
			}
			row.HasTruth = true
			row.Truth = quat.Number{Real: w / n, Imag: v.X / n, Jmag: v.Y / n, Kmag: v.Z / n}
		}
	}
	if r.cols.has(colMoving) {
		switch cell := r.cells[colMoving]; string(cell) {
		case "1", "1.0", "true", "True":
			row.Moving = true
		case "", "0", "0.0", "false", "False":
		default:
			return r.wrong(colMoving, fmt.Sprintf("%.32q: give 1 or 0", cell))
		}
	}
	return nil
}

// vector reads three neighbouring columns; ok is false when all are empty or
// the file has none of them.
func (r *Reader) vector(first column) (v r3.Vec, ok bool, err error) {
	if !r.cols.has(first) {
		return v, false, nil
	}
	x, okX, err := r.number(first)
	if err != nil {
		return v, false, err
	}
	y, okY, err := r.number(first + 1)
	if err != nil {
		return v, false, err
	}
	z, okZ, err := r.number(first + 2)
	if err != nil {
		return v, false, err
	}
	if okX != okY || okX != okZ {
		return v, false, r.wrong(first, "only part of the vector is there: give all three components or none")
	}
	if !okX {
		return v, false, nil
	}
	return r3.Vec{X: x, Y: y, Z: z}, true, nil
}

// number reads one cell; ok is false when it is empty or nan.
func (r *Reader) number(c column) (v float64, ok bool, err error) {
	cell := r.cells[c]
	if len(cell) == 0 {
		return 0, false, nil
	}
	v, perr := strconv.ParseFloat(string(cell), 64)
	l := limits[c]
	switch {
	case perr != nil && !errors.Is(perr, strconv.ErrRange):
		return 0, false, r.wrong(c, fmt.Sprintf("%.32q is not a number: give %s", cell, l.unit))
	case v != v:
		return 0, false, nil
	case math.Abs(v) > l.max:
		return 0, false, r.wrong(c, fmt.Sprintf("%.32s is beyond ±%g: give %s", cell, l.max, l.unit))
	}
	return v, true, nil
}

func (r *Reader) wrong(c column, problem string) error {
	return &Error{Line: r.line, Column: columnNames[c], Err: errors.New(problem)}
}
