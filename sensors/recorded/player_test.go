package recorded_test

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/recorded"
)

// handClock stands still until it is set.
type handClock time.Duration

func (c *handClock) Now() time.Duration     { return time.Duration(*c) }
func (c *handClock) Sleep(d time.Duration)  { *c += handClock(d) }
func (c *handClock) setTo(at time.Duration) { *c = handClock(at) }

func play(t *testing.T, file string, clock sensors.Clock, opt recorded.Options) *recorded.Player {
	t.Helper()
	rd, err := recorded.NewReader(strings.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	p, err := recorded.NewPlayer(rd, clock, opt)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPlayerDeliversARowOnceItsTimeHasCome(t *testing.T) {
	clock := handClock(90 * time.Second)
	p := play(t, "t_s,ax,ay,az,gx,gy,gz,mx,my,mz\n"+
		"1.00,0,0,9.8,0,0,0,20,0,-40\n"+
		"1.01,0,0,9.7,0,0,0,,,\n"+
		"1.02,0,0,9.6,0,0,0,21,0,-40\n", &clock, recorded.Options{Name: "bench.csv", Shift: 99 * time.Second})
	imu, mag := p.Inertial(), p.Magnetometer()
	if p.Start() != 100*time.Second {
		t.Fatalf("starts at %v, want 1 s + the shift of 99 s", p.Start())
	}
	if _, err := imu.ReadInertial(); err != sensors.ErrNoNewData {
		t.Fatalf("before the first row: %v", err)
	}
	if at, ok := p.NextAt(); !ok || at != 100*time.Second {
		t.Fatalf("next at %v %v", at, ok)
	}
	clock.setTo(100*time.Second + 15*time.Millisecond)
	for i, z := range []float64{9.8, 9.7} {
		s, err := imu.ReadInertial()
		if err != nil || s.Accel.Z != z || s.At != 100*time.Second+time.Duration(i)*10*time.Millisecond {
			t.Fatalf("row %d: %+v, %v", i, s, err)
		}
	}
	if _, err := imu.ReadInertial(); err != sensors.ErrNoNewData {
		t.Fatalf("the third row came too soon: %v", err)
	}
	if at, ok := p.NextAt(); !ok || at != 100*time.Second {
		t.Fatalf("a field sample of the first row waits, yet next at %v %v", at, ok)
	}
	if s, err := mag.ReadMagnetic(); err != nil || s.FieldUT.X != 20 || s.At != 100*time.Second {
		t.Fatalf("%+v, %v", s, err)
	}
	if _, err := mag.ReadMagnetic(); err != sensors.ErrNoNewData {
		t.Fatalf("row without a field: %v", err)
	}
	clock.setTo(200 * time.Second)
	if s, err := mag.ReadMagnetic(); err != nil || s.FieldUT.X != 21 {
		t.Fatalf("%+v, %v", s, err)
	}
	if _, err := mag.ReadMagnetic(); !errors.Is(err, sensors.ErrEnd) {
		t.Fatalf("magnetometer at the end: %v", err)
	}
	if _, ok := p.NextAt(); !ok {
		t.Fatal("the last inertial sample was not read yet, but the recording is called over")
	}
	if s, err := imu.ReadInertial(); err != nil || s.Accel.Z != 9.6 {
		t.Fatalf("%+v, %v", s, err)
	}
	if _, err := imu.ReadInertial(); !errors.Is(err, sensors.ErrEnd) {
		t.Fatalf("at the end: %v", err)
	}
	if at, ok := p.NextAt(); ok {
		t.Fatalf("over, yet next at %v", at)
	}
	if p.Err() != nil || p.Last() != 100*time.Second+20*time.Millisecond {
		t.Fatalf("err %v, last %v", p.Err(), p.Last())
	}
	if imu.String() != "unknown accelerometer and gyroscope in bench.csv" {
		t.Errorf("String %q", imu)
	}
}

// A whole real recording through both sensors, driven as the daemon's loop is:
// sleep until the next row, read what there is.
func TestPlayerPlaysARealRecordingWhole(t *testing.T) {
	f, err := os.Open("testdata/level-turn.csv.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rd, err := recorded.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var clock handClock
	p, err := recorded.NewPlayer(rd, &clock, recorded.Options{Name: f.Name()})
	if err != nil {
		t.Fatal(err)
	}
	if r := p.Inertial().Spec().RateHz; r < 95 || r > 105 {
		t.Errorf("rate %.1f Hz, the recording's README says 99.4", r)
	}
	imu, mag := p.Inertial(), p.Magnetometer()
	nImu, nMag, wakes := 0, 0, 0
	var turned float64
	var before time.Duration
	for {
		at, ok := p.NextAt()
		if !ok {
			break
		}
		clock.Sleep(at - clock.Now())
		wakes++
		for {
			s, err := imu.ReadInertial()
			if err != nil {
				if !errors.Is(err, sensors.ErrNoNewData) && !errors.Is(err, sensors.ErrEnd) {
					t.Fatal(err)
				}
				break
			}
			if s.At != clock.Now() {
				t.Fatalf("sample of %v at %v", s.At, clock.Now())
			}
			turned += s.Gyro.Z * (s.At - before).Seconds()
			before = s.At
			nImu++
		}
		for {
			if _, err := mag.ReadMagnetic(); err != nil {
				break
			}
			nMag++
		}
	}
	if nImu != 2325 || nMag != 2325 || wakes > 2325 {
		t.Errorf("%d inertial and %d field samples in %d wakes, want 2325 rows", nImu, nMag, wakes)
	}
	// Two turns counter-clockwise, says the README beside the recording; the
	// gyroscope is not calibrated.
	if turns := turned / 6.283185307; turns < 1.8 || turns > 2.2 {
		t.Errorf("%.2f turns, want 2", turns)
	}
}

func TestPlayerMarksClippingByTheNamedChip(t *testing.T) {
	var clock handClock
	p := play(t, "t_s,ax,ay,az,gx,gy,gz,mx,my,mz\n0,0,0,9.8,0,-4.3633,0,20,0,-40\n0,0,0,9.8,0,4.2,0,820,0,-40\n", &clock, recorded.Options{
		Inertial: &sensors.InertialSpec{Chip: "MPU-6050", GyroRange: 4.3633, AccelRange: 19.6, RateHz: 99.4},
		Magnetic: &sensors.MagneticSpec{Chip: "HMC5883L", RangeUT: 810},
	})
	for i, want := range []sensors.Flags{sensors.Clipped, 0} {
		if s, err := p.Inertial().ReadInertial(); err != nil || s.Flags != want {
			t.Errorf("inertial %d: flags %v, %v; want %v", i, s.Flags, err, want)
		}
	}
	for i, want := range []sensors.Flags{0, sensors.Clipped} {
		if s, err := p.Magnetometer().ReadMagnetic(); err != nil || s.Flags != want {
			t.Errorf("field %d: flags %v, %v; want %v", i, s.Flags, err, want)
		}
	}
	if s := p.Inertial().Spec(); s.RateHz != 99.4 || !s.HasGyro {
		t.Errorf("spec %+v", s)
	}
}

func TestPlayerBoundsWhatWaitsForASensorThatIsNotRead(t *testing.T) {
	var b strings.Builder
	b.WriteString("t_s,ax,ay,az,mx,my,mz\n")
	const n = 5000
	for i := range n {
		fmt.Fprintf(&b, "%d,0,0,9.8,%d,0,0\n", i, i)
	}
	clock := handClock(n * time.Second)
	p := play(t, b.String(), &clock, recorded.Options{})
	for range n {
		if _, err := p.Inertial().ReadInertial(); err != nil {
			t.Fatal(err)
		}
	}
	s, err := p.Magnetometer().ReadMagnetic()
	if err != nil || !s.Flags.Has(sensors.Overrun) || s.FieldUT != (r3.Vec{X: n - 1024}) {
		t.Fatalf("first of what is kept: %+v, %v", s, err)
	}
	if s, err = p.Magnetometer().ReadMagnetic(); err != nil || s.Flags != 0 {
		t.Fatalf("second: %+v, %v", s, err)
	}
}

func TestPlayerNamesTheBrokenLineWhenItGetsThere(t *testing.T) {
	var clock handClock
	p := play(t, "t_s,ax,ay,az\n0,0,0,9.8\n1,0,0,up\n", &clock, recorded.Options{Name: "night.csv"})
	if p.Magnetometer() != nil || p.Inertial().Spec().HasGyro {
		t.Error("sensors that the file does not have")
	}
	clock.setTo(time.Minute)
	if _, err := p.Inertial().ReadInertial(); err != nil {
		t.Fatal(err)
	}
	_, err := p.Inertial().ReadInertial()
	if err == nil || err.Error() != `night.csv: line 3, column az: "up" is not a number: give m/s2` {
		t.Fatalf("error %v", err)
	}
	var where *recorded.Error
	if !errors.Is(err, sensors.ErrEnd) || !errors.As(err, &where) || where.Line != 3 {
		t.Errorf("%v: must be an end, and carry its line", err)
	}
	if p.Err() == nil || p.Err().Error() != err.Error() {
		t.Errorf("Err %v", p.Err())
	}
	if _, ok := p.NextAt(); ok {
		t.Error("goes on after a broken line")
	}
}

func TestPlayerRefusesWhatHoldsNoRow(t *testing.T) {
	for file, want := range map[string]string{
		"t_s,ax,ay,az\n":      "x.csv: no rows below the header: nothing to play",
		"t_s,ax,ay,az\n0,a\n": "x.csv: line 2: 2 cells where the header names 4 columns",
	} {
		rd, err := recorded.NewReader(strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		var clock handClock
		if _, err := recorded.NewPlayer(rd, &clock, recorded.Options{Name: "x.csv"}); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: %v, want %q", file, err, want)
		}
	}
}

func BenchmarkPlayer(b *testing.B) {
	const n = 10000
	var file strings.Builder
	file.WriteString("t_s,ax,ay,az,gx,gy,gz,mx,my,mz\n")
	for i := range n {
		fmt.Fprintf(&file, "%.5f,0.0795,-0.0668,9.8861,0.00724,-0.00341,-0.00469,-2.127,16.463,-42.691\n", float64(i)/100)
	}
	b.ReportAllocs()
	for b.Loop() {
		rd, err := recorded.NewReader(strings.NewReader(file.String()))
		if err != nil {
			b.Fatal(err)
		}
		clock := handClock(time.Hour)
		p, err := recorded.NewPlayer(rd, &clock, recorded.Options{})
		if err != nil {
			b.Fatal(err)
		}
		imu, mag := p.Inertial(), p.Magnetometer()
		for {
			if _, err := imu.ReadInertial(); err != nil {
				break
			}
			if _, err := mag.ReadMagnetic(); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.N)*n/b.Elapsed().Seconds(), "rows/s")
}
