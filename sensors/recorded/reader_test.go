package recorded_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors/recorded"
)

func readAll(t testing.TB, r io.Reader) []recorded.Row {
	t.Helper()
	rd, err := recorded.NewReader(r)
	if err != nil {
		t.Fatal(err)
	}
	var rows []recorded.Row
	for {
		row, err := rd.Next()
		if err == io.EOF {
			return rows
		}
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
}

func TestReaderReadsEveryColumnByName(t *testing.T) {
	// Order, case, blanks, quotes, an unknown column, a byte-order mark and
	// Windows line ends must not matter.
	const file = "\ufeffMoving, qz,qy,qx,QW,note,temp_c,\"mz\",my,mx,gz,gy,gx,az,ay,ax,t_s\r\n" +
		"1,0.6,0,0,0.8,hello,-4.25,-41.3,2.5,18.1,0.03,-0.02,0.01,9.8,-0.2,0.1,-0.0043\r\n" +
		"\r\n" +
		"0,,,,,,,,,,,,,,,,0.5\r\n" +
		"true,nan,NaN,nan,nan,,,nan,nan,nan,nan,nan,nan,nan,nan,nan,0.5"
	rows := readAll(t, strings.NewReader(file))
	if len(rows) != 3 {
		t.Fatalf("%d rows, want 3", len(rows))
	}
	r := rows[0]
	if r.T != -4300*time.Microsecond || r.Inertial.At != r.T || r.Magnetic.At != r.T {
		t.Errorf("times %v %v %v, want -4.3ms", r.T, r.Inertial.At, r.Magnetic.At)
	}
	if want := (r3.Vec{X: 0.1, Y: -0.2, Z: 9.8}); r.Inertial.Accel != want || !r.HasInertial {
		t.Errorf("accel %v, want %v", r.Inertial.Accel, want)
	}
	if want := (r3.Vec{X: 0.01, Y: -0.02, Z: 0.03}); r.Inertial.Gyro != want {
		t.Errorf("gyro %v, want %v", r.Inertial.Gyro, want)
	}
	if want := (r3.Vec{X: 18.1, Y: 2.5, Z: -41.3}); r.Magnetic.FieldUT != want || !r.HasMagnetic {
		t.Errorf("field %v, want %v", r.Magnetic.FieldUT, want)
	}
	if r.Inertial.TempC != -4.25 || !math.IsNaN(r.Magnetic.TempC) {
		t.Errorf("temperatures %v, %v: want -4.25 for the inertial chip, unknown for the other", r.Inertial.TempC, r.Magnetic.TempC)
	}
	if want := (quat.Number{Real: 0.8, Kmag: 0.6}); quat.Abs(quat.Sub(r.Truth, want)) > 1e-15 || !r.HasTruth || !r.Moving {
		t.Errorf("truth %v moving %v, want %v true", r.Truth, r.Moving, want)
	}
	for _, r := range rows[1:] {
		if r.HasInertial || r.HasMagnetic || r.HasTruth || r.T != 500*time.Millisecond || !math.IsNaN(r.Inertial.TempC) {
			t.Errorf("empty row read as %+v", r)
		}
	}
	if rows[1].Moving || !rows[2].Moving || rows[2].Line != 5 {
		t.Errorf("moving %v %v, line %d; want false true 5", rows[1].Moving, rows[2].Moving, rows[2].Line)
	}
}

func TestReaderTakesMagnetometerAloneAndGzip(t *testing.T) {
	const file = "t_s,mx,my,mz,temp_C\n0,1,2,3,20.5\n0.02,1,2,4,\n"
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	fmt.Fprint(w, file)
	w.Close()
	for name, in := range map[string]io.Reader{"plain": strings.NewReader(file), "gzip": &z} {
		rows := readAll(t, in)
		if len(rows) != 2 || rows[0].HasInertial || !rows[1].HasMagnetic || rows[0].Magnetic.TempC != 20.5 || !math.IsNaN(rows[1].Magnetic.TempC) {
			t.Errorf("%s: %+v", name, rows)
		}
	}
}

func TestReaderSaysWhatIsWrongAndWhere(t *testing.T) {
	const head = "t_s,ax,ay,az,gx,gy,gz,mx,my,mz,temp_C,qw,qx,qy,qz,moving\n"
	const good = "0,0,0,9.8,0,0,0,20,0,-40,21,1,0,0,0,0\n"
	for _, c := range []struct{ name, file, want string }{
		{"empty file", "", "first line must name the columns"},
		{"blank file", "\n\n", "first line must name the columns"},
		{"no header", "0,0,0,9.8\n", "line 1, column t_s: missing (the line begins \"0,0,0,9.8\")"},
		{"semicolons", "t_s;ax;ay;az\n", "comma-separated"},
		{"no sensor", "t_s,temp_C\n", "needs ax,ay,az (m/s2) or mx,my,mz (uT)"},
		{"half a vector", "t_s,ax,az\n", "line 1, column ay: missing"},
		{"gyro alone", "t_s,gx,gy,gz,mx,my,mz\n", "gyroscope alone"},
		{"named twice", "t_s,ax,ay,az,AX\n", "line 1, column ax: named twice"},
		{"not a number", head + good + "1,0,0,9.8x,0,0,0,20,0,-40,21,1,0,0,0,0\n", `line 3, column az: "9.8x" is not a number: give m/s2`},
		{"nanotesla", head + "1,0,0,9.8,0,0,0,20123,0,-40,21,1,0,0,0,0\n", "line 2, column mx: 20123 is beyond ±20000: give uT"},
		{"degrees per second", head + "1,0,0,9.8,0,0,250,20,0,-40,21,1,0,0,0,0\n", "column gz: 250 is beyond ±200: give rad/s"},
		{"overflow", head + "1,0,1e999,9.8,0,0,250,20,0,-40,21,1,0,0,0,0\n", "column ay: 1e999 is beyond ±5000: give m/s2"},
		{"infinite", head + "1,0,-Inf,9.8,0,0,250,20,0,-40,21,1,0,0,0,0\n", "column ay: -Inf is beyond"},
		{"part of a vector", head + "1,0,,9.8,0,0,0,20,0,-40,21,1,0,0,0,0\n", "line 2, column ax: only part"},
		{"accel without gyro", head + "1,0,0,9.8,,,,20,0,-40,21,1,0,0,0,0\n", "line 2, column gx: missing although"},
		{"no time", head + ",0,0,9.8,0,0,0,20,0,-40,21,1,0,0,0,0\n", "column t_s: every row needs its time"},
		{"time goes back", head + "2,0,0,9.8,0,0,0,20,0,-40,21,1,0,0,0,0\n" + good, "line 3, column t_s: 0 s is before the row above (2 s)"},
		{"not a unit quaternion", head + "1,0,0,9.8,0,0,0,20,0,-40,21,0.5,0.5,0.5,0,0\n", "column qw: the quaternion has length 0.866"},
		{"half a quaternion", head + "1,0,0,9.8,0,0,0,20,0,-40,21,,0.5,0.5,0,0\n", "column qw: part of the quaternion"},
		{"odd moving", head + "1,0,0,9.8,0,0,0,20,0,-40,21,1,0,0,0,maybe\n", `column moving: "maybe": give 1 or 0`},
		{"cut line", head + good + "0.01,0,0,9.8,0,0", "line 3: 6 cells where the header names 16 columns"},
		{"too many cells", head + "0,0,0,9.8,0,0,0,20,0,-40,21,1,0,0,0,0,7\n", "line 2: 17 cells"},
		{"endless line", head + strings.Repeat("1,", 40000), "line 2: longer than 65536 bytes"},
		{"cut gzip", string(gzipped(t, head+strings.Repeat(good, 50))[:60]), "cannot be read: unexpected EOF"},
		{"no gzip", "\x1f\x8bnothing", "not a readable gzip file"},
	} {
		t.Run(c.name, func(t *testing.T) {
			rd, err := recorded.NewReader(strings.NewReader(c.file))
			for err == nil {
				_, err = rd.Next()
			}
			if err == io.EOF || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("error %q, want one with %q", err, c.want)
			}
			if strings.Contains(err.Error(), "\n") || len(err.Error()) > 300 {
				t.Errorf("not one short line: %q", err)
			}
			if rd != nil {
				if _, again := rd.Next(); !errors.Is(again, err) {
					t.Errorf("then %v: an error must be final", again)
				}
			}
		})
	}
}

func gzipped(t testing.TB, s string) []byte {
	t.Helper()
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	if _, err := io.WriteString(w, s); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return z.Bytes()
}

// The rows, ends and gaps of the shipped recordings, counted with awk.
func TestReaderOnRealRecordings(t *testing.T) {
	for _, c := range []struct {
		file        string
		rows        int
		first, last time.Duration
		truth       int
		temp        float64 // of the first row, NaN when the file has none
	}{
		{"level-turn.csv.gz", 2325, 0, 23388900 * time.Microsecond, 0, 24.77},
		{"slow-rotation-start.csv.gz", 2000, 14 * time.Millisecond, 34996500 * time.Microsecond, 1753, math.NaN()},
	} {
		f, err := os.Open(filepath.Join("testdata", c.file))
		if err != nil {
			t.Fatal(err)
		}
		rows := readAll(t, f)
		f.Close()
		truth := 0
		for _, r := range rows {
			if r.HasTruth {
				truth++
			}
			if !r.HasInertial || !r.HasMagnetic {
				t.Fatalf("%s line %d: incomplete", c.file, r.Line)
			}
		}
		if len(rows) != c.rows || rows[0].T != c.first || rows[len(rows)-1].T != c.last || truth != c.truth {
			t.Errorf("%s: %d rows from %v to %v, %d with truth; want %d, %v, %v, %d",
				c.file, len(rows), rows[0].T, rows[len(rows)-1].T, truth, c.rows, c.first, c.last, c.truth)
		}
		if got := rows[0].Inertial.TempC; got != c.temp && !(math.IsNaN(got) && math.IsNaN(c.temp)) {
			t.Errorf("%s: temperature %v, want %v", c.file, got, c.temp)
		}
	}
}

func FuzzReader(f *testing.F) {
	f.Add([]byte("t_s,ax,ay,az,gx,gy,gz,mx,my,mz,temp_C,qw,qx,qy,qz,moving\n0,0,0,9.8,0,0,0,20,0,-40,21,1,0,0,0,0\n"))
	f.Add([]byte("t_s,mx,my,mz\n0,1,2,3\n1e3,,,\n"))
	f.Add(gzipped(f, "t_s,ax,ay,az\n0,0,0,9.8\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		rd, err := recorded.NewReader(bytes.NewReader(b))
		if err != nil {
			return
		}
		var last time.Duration
		for i := 0; ; i++ {
			row, err := rd.Next()
			if err != nil {
				return
			}
			if i > 0 && row.T < last {
				t.Fatalf("time went back from %v to %v", last, row.T)
			}
			last = row.T
			for _, v := range []r3.Vec{row.Inertial.Accel, row.Inertial.Gyro, row.Magnetic.FieldUT} {
				if n := r3.Norm(v); math.IsNaN(n) || math.IsInf(n, 0) {
					t.Fatalf("line %d: %v", row.Line, v)
				}
			}
			if row.HasTruth && math.Abs(quat.Abs(row.Truth)-1) > 1e-9 {
				t.Fatalf("line %d: truth %v", row.Line, row.Truth)
			}
		}
	})
}

func BenchmarkReader(b *testing.B) {
	var file bytes.Buffer
	file.WriteString("t_s,ax,ay,az,gx,gy,gz,mx,my,mz,qw,qx,qy,qz,moving\n")
	const n = 10000
	for i := range n {
		fmt.Fprintf(&file, "%.5f,0.0795,-0.0668,9.8861,0.00724,-0.00341,-0.00469,-2.127,16.463,-42.691,0.70711,0.70711,0.00000,0.00000,1\n", float64(i)/100)
	}
	b.ReportAllocs()
	for b.Loop() {
		rd, err := recorded.NewReader(bytes.NewReader(file.Bytes()))
		if err != nil {
			b.Fatal(err)
		}
		for {
			if _, err := rd.Next(); err == io.EOF {
				break
			} else if err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.N)*n/b.Elapsed().Seconds(), "rows/s")
}
