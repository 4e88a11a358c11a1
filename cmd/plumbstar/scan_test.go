package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io/fs"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/spatial/r3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"plumbstar/daemon/config"
	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// mapBus answers at some addresses with registers that never change, and keeps
// what was written.
type mapBus struct {
	chips  map[uint16]map[byte]byte
	ptr    map[uint16]byte
	writes map[uint16]int
}

func (m *mapBus) String() string                  { return "map" }
func (m *mapBus) SetSpeed(physic.Frequency) error { return nil }
func (m *mapBus) Close() error                    { return nil }

func (m *mapBus) Tx(addr uint16, w, r []byte) error {
	c, ok := m.chips[addr]
	if !ok {
		return &sensors.BusCause{Fault: sensors.FaultNoAnswer, Err: syscall.ENXIO}
	}
	if len(w) > 0 {
		m.ptr[addr] = w[0]
	}
	if len(w) > 1 {
		m.writes[addr]++
	}
	for i := range r {
		r[i] = c[m.ptr[addr]+byte(i)]
	}
	return nil
}

func newMapBus(chips map[uint16]map[byte]byte) *mapBus {
	return &mapBus{chips: chips, ptr: map[uint16]byte{}, writes: map[uint16]int{}}
}

func free(uint16) string { return "" }

type closing struct{ i2c.Bus }

func (closing) Close() error { return nil }

// TestScanSharedAddresses puts chips where others may sit and expects their own
// names.
func TestScanSharedAddresses(t *testing.T) {
	for _, c := range []struct {
		addr uint16
		make func(sim.World, sim.Settings) sim.Chip
		want string
	}{
		{0x1e, sim.NewHMC5883L, "HMC5883L"},
		{0x1e, sim.NewLIS3MDL, "LIS3MDL"},
		{0x1c, sim.NewLIS3MDL, "LIS3MDL"},
		{0x1e, sim.NewLIS2MDL, "LIS2MDL"},
		{0x1e, sim.NewLSM303DLHC, "LSM303DLHC"},
		{0x0d, sim.NewQMC5883L, "QMC5883L"},
		{0x2c, sim.NewQMC5883P, "QMC5883P"},
		{0x23, sim.NewRM3100, "RM3100"},
		{0x15, sim.NewBMM350, "BMM350"},
		{0x0c, sim.NewAK09916, "AK09916"},
		{0x30, sim.NewMMC5603, "MMC5603"},
		{0x30, sim.NewMMC5983MA, "MMC5983MA"},
		{0x68, sim.NewMPU6050, "MPU-6050"},
		{0x69, sim.NewMPU6500, "MPU-6500"},
		{0x68, sim.NewMPU9250, "MPU-9250"},
		{0x6a, sim.NewLSM6DSO, "LSM6DSO"},
		{0x6b, sim.NewISM330DHCX, "ISM330DHCX"},
		{0x6b, sim.NewLSM6DSV16X, "LSM6DSV16X"},
		{0x69, sim.NewICM20948, "ICM-20948"},
		{0x53, sim.NewADXL355, "ADXL355"},
		{0x76, func(w sim.World, s sim.Settings) sim.Chip { return sim.NewBME280(w, s, 1000) }, "BME280"},
		{0x19, sim.NewLSM303DLHCAccel, "LSM303DLHC"},
	} {
		clock := &sim.Clock{}
		bus := sim.NewBus("b", clock, sim.Adapter{})
		if err := bus.Attach(c.addr, c.make(nil, sim.Settings{})); err != nil {
			t.Fatal(err)
		}
		clock.Sleep(time.Second)
		r := scanBus(context.Background(), bus, free)
		if len(r.Found) != 1 || r.Found[0].Chip != c.want || !r.Found[0].Supported || r.Found[0].Address != hex(c.addr) {
			t.Errorf("%s at 0x%02x: found %+v, %s", c.want, c.addr, r.Found, r.Error)
		}
		if len(r.Found) == 1 && strings.Contains(r.Found[0].Note, "inside") != (c.want == "MPU-9250" || c.want == "ICM-20948") {
			t.Errorf("%s: note %q", c.want, r.Found[0].Note)
		}
	}
}

// TestScanLSM303 tells the two chips with an accelerometer at 0x19 from those
// without, also where the LSM303DLHC does not have the register of its own.
func TestScanLSM303(t *testing.T) {
	h43 := map[byte]byte{0x0a: 'H', 0x0b: '4', 0x0c: '3'}
	for want, chips := range map[string]map[uint16]map[byte]byte{
		"LSM303AGR":  {0x1e: {0x4f: 0x40}, 0x19: {0x0f: 0x33}},
		"LIS2MDL":    {0x1e: {0x4f: 0x40}},
		"LSM303DLHC": {0x1e: h43, 0x19: {0x0f: 0x33}},
		"HMC5883L":   {0x1e: h43},
	} {
		bus := newMapBus(chips)
		r := scanBus(context.Background(), bus, free)
		if i := slices.IndexFunc(r.Found, func(d foundDevice) bool { return d.Address == "0x1e" }); i < 0 || r.Found[i].Chip != want {
			t.Errorf("want %s: found %+v", want, r.Found)
		}
		if len(bus.writes) != 0 {
			t.Errorf("%s: wrote %v", want, bus.writes)
		}
	}
}

// TestScanOthers holds what is known but not driven, and what is not known; none
// of them may be written to.
func TestScanOthers(t *testing.T) {
	bus := newMapBus(map[uint16]map[byte]byte{
		0x0d: {0x09: 0xff, 0x0a: 0xff, 0x0b: 0xff, 0x0c: 0xff, 0x0d: 0xff},
		0x10: {0x40: 0x32},
		0x68: {0x00: 0x24},
		0x69: {0x00: 0xd1},
		0x6a: {0x0f: 0x68},
		0x4a: {},
	})
	r := scanBus(context.Background(), bus, free)
	got := map[string]string{}
	for _, d := range r.Found {
		got[d.Address] = d.Chip
		if d.Supported {
			t.Errorf("%+v is said to be supported", d)
		}
	}
	want := map[string]string{
		"0x0d": "", "0x10": "BMM150", "0x68": "BMI270", "0x69": "BMI160", "0x6a": "LSM9DS1", "0x4a": "",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("found (-want +got):\n%s", d)
	}
	if len(bus.writes) != 0 {
		t.Errorf("wrote to chips that are not known: %v", bus.writes)
	}
}

// TestScanDisplay: a display has no identity; it is named as what it may be, is not
// written to, and does not stand between the sensors and the settings.
func TestScanDisplay(t *testing.T) {
	clock := &sim.Clock{}
	bus := sim.NewBus("b", clock, sim.Adapter{})
	display := sim.NewSSD1306()
	for addr, chip := range map[uint16]sim.Chip{0x3c: display, 0x6a: sim.NewLSM6DSO(nil, sim.Settings{})} {
		if err := bus.Attach(addr, chip); err != nil {
			t.Fatal(err)
		}
	}
	clock.Sleep(time.Second)
	r := scanBus(context.Background(), bus, free)
	if len(r.Found) != 2 || r.Found[0].Chip != "" || r.Found[0].Supported || !strings.Contains(r.Found[0].Note, "perhaps a display") || r.Found[1].Chip != "LSM6DSO" {
		t.Errorf("%+v", r)
	}
	if n := bus.CountAt(0x3c).BytesWritten; n != 0 || len(display.Misuse()) > 0 {
		t.Errorf("%d bytes written: %q", n, display.Misuse())
	}
	if s := (scanReport{Buses: []busReport{r}}).propose(); !strings.Contains(s, "LSM6DSO") || strings.Contains(s, "3c") {
		t.Errorf("proposes\n%s", s)
	}
}

func TestScanLeavesClaimedAddresses(t *testing.T) {
	bus := newMapBus(map[uint16]map[byte]byte{0x68: {0x75: 0x68}})
	r := scanBus(context.Background(), bus, func(a uint16) string {
		if a == 0x68 {
			return "rtc-ds1307"
		}
		return ""
	})
	if len(r.Found) != 1 || r.Found[0].Chip != "" || !strings.Contains(r.Found[0].Note, "rtc-ds1307") || len(bus.ptr) != 0 {
		t.Errorf("found %+v, pointers set %v", r.Found, bus.ptr)
	}
}

// TestScanVirtualAdapter: success with zeros everywhere is nothing.
func TestScanVirtualAdapter(t *testing.T) {
	bus := sim.NewBus("virtual", &sim.Clock{}, sim.Adapter{NoAckZeros: true})
	r := scanBus(context.Background(), bus, free)
	if len(r.Found) != 0 || r.Note == "" || r.Error != "" {
		t.Errorf("%+v", r)
	}
}

// TestScanProposes: the settings that it proposes are settings, for the better of
// two chips, and the chips open with them.
func TestScanProposes(t *testing.T) {
	w := sim.Still{FieldUT: r3.Vec{X: 19, Z: -45}, TempC: 20}
	for _, c := range []struct {
		chips              map[uint16]func(sim.World, sim.Settings) sim.Chip
		inertial, magnetic string
		also               string
	}{
		{map[uint16]func(sim.World, sim.Settings) sim.Chip{0x68: sim.NewMPU9250}, "MPU-9250", "AK8963", ""},
		{map[uint16]func(sim.World, sim.Settings) sim.Chip{0x69: sim.NewICM20948, 0x21: sim.NewRM3100}, "ICM-20948", "RM3100", "AK09916"},
		{map[uint16]func(sim.World, sim.Settings) sim.Chip{0x19: sim.NewLSM303DLHCAccel, 0x1e: sim.NewLSM303DLHC}, "LSM303DLHC", "LSM303DLHC", ""},
		{map[uint16]func(sim.World, sim.Settings) sim.Chip{0x68: sim.NewMPU6050, 0x6b: sim.NewLSM6DSO, 0x0d: sim.NewQMC5883L}, "LSM6DSO", "QMC5883L", "MPU-6050"},
	} {
		clock := &sim.Clock{}
		bus := sim.NewBus("b", clock, sim.Adapter{})
		for addr, make := range c.chips {
			if err := bus.Attach(addr, make(w, sim.Settings{})); err != nil {
				t.Fatal(err)
			}
		}
		clock.Sleep(time.Second)
		var out bytes.Buffer
		buses := []i2cBus{{3, "/dev/i2c-3", func() (i2c.BusCloser, error) { return closing{bus}, nil }, free}}
		if err := scan(context.Background(), &out, buses, true); err != nil {
			t.Fatal(err)
		}
		var r scanReport
		if err := json.Unmarshal(out.Bytes(), &r); err != nil {
			t.Fatal(err)
		}
		set, err := config.Parse("proposed", []byte(r.Settings), config.Chips{Inertial: inertialChips(), Magnetic: magneticChips()})
		if err != nil {
			t.Errorf("%s: %v in\n%s", c.inertial, err, r.Settings)
			continue
		}
		if second := set.Inertial2.Chip; second != config.None && second != c.also {
			t.Errorf("a second accelerometer %s:\n%s", second, r.Settings)
		}
		if second := set.Magnetic2.Chip; second != config.None && second != c.also {
			t.Errorf("a second magnetometer %s:\n%s", second, r.Settings)
		}
		if set.Inertial.Chip != c.inertial || set.Magnetic.Chip != c.magnetic || set.Magnetic.Bus != "/dev/i2c-3" ||
			!strings.Contains(r.Settings, c.also) {
			t.Errorf("want %s and %s:\n%s", c.inertial, c.magnetic, r.Settings)
		}
		if _, err := openInertial(set.Inertial.Chip, bus, set.Inertial.Address, clock, set.Inertial.RateHz); err != nil {
			t.Error(err)
		}
		if _, err := openMagnetometer(set.Magnetic.Chip, bus, set.Magnetic.Address, clock, set.Magnetic.RateHz); err != nil {
			t.Error(err)
		}
	}
	if got := (scanReport{}).propose(); got != "" {
		t.Errorf("nothing found, proposed %q", got)
	}
}

func TestScanStuckBus(t *testing.T) {
	clock := &sim.Clock{}
	bus := sim.NewBus("stuck", clock, sim.Adapter{})
	bus.Inject(sim.Fault{Kind: sim.Stuck})
	r := scanBus(context.Background(), bus, free)
	if r.Error == "" || clock.Now() > 3*time.Second {
		t.Errorf("%+v after %v", r, clock.Now())
	}
}

func TestScanPrints(t *testing.T) {
	clock := &sim.Clock{}
	full := sim.NewBus("b", clock, sim.Adapter{})
	if err := full.Attach(0x0d, sim.NewQMC5883L(nil, sim.Settings{})); err != nil {
		t.Fatal(err)
	}
	clock.Sleep(time.Second)
	opens := func(b i2c.Bus) func() (i2c.BusCloser, error) {
		return func() (i2c.BusCloser, error) { return closing{b}, nil }
	}
	buses := []i2cBus{
		{0, "/dev/i2c-0", opens(newMapBus(nil)), free},
		{1, "/dev/i2c-1", opens(full), free},
		{2, "/dev/i2c-2", func() (i2c.BusCloser, error) {
			return nil, &fs.PathError{Op: "open", Path: "/dev/i2c-2", Err: fs.ErrPermission}
		}, free},
	}
	var out bytes.Buffer
	if err := scan(context.Background(), &out, buses, false); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"nothing on bus 0", `chip = "QMC5883L"`, "register 0x09", "permission denied", "group"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("output lacks %q:\n%s", want, out.String())
		}
	}
	out.Reset()
	if err := scan(context.Background(), &out, buses, true); err != nil {
		t.Fatal(err)
	}
	var r scanReport
	if err := json.Unmarshal(out.Bytes(), &r); err != nil || len(r.Buses) != 3 || r.Buses[0].Found == nil ||
		len(r.Buses[1].Found) != 1 || r.Buses[1].Found[0].Setting != "QMC5883L" || r.Buses[2].Error == "" {
		t.Errorf("JSON %v: %s", err, out.String())
	}
	if err := scan(context.Background(), &out, buses[2:], false); err == nil {
		t.Error("no bus could be opened, and no error")
	}
}
