package main

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbstar/sensors"
	"plumbstar/sensors/sensortest"
)

// Environment of TestHardware.
const (
	// hardwareEnv lists sensors as CHIP@BUS or CHIP@BUS:ADDRESS, separated by
	// commas, for example "LSM6DSO@1,MMC5983MA@1:0x30". The board must lie still.
	hardwareEnv = "PLUMBSTAR_HARDWARE"
	// recordEnv names a folder for the register traffic of each, to be kept as a
	// test transcript together with chip, date and room.
	recordEnv = "PLUMBSTAR_RECORD"
)

// TestHardware runs the contract's part for real chips on those of this machine.
func TestHardware(t *testing.T) {
	list := os.Getenv(hardwareEnv)
	if list == "" {
		t.Skipf("no real chips: set %s, for example to LSM6DSO@1,MMC5983MA@1", hardwareEnv)
	}
	for item := range strings.SplitSeq(list, ",") {
		t.Run(item, func(t *testing.T) { testReal(t, item) })
	}
}

func testReal(t *testing.T, item string) {
	chip, number, addr, err := parseReal(item)
	if err != nil {
		t.Fatal(err)
	}
	bus, err := openBus(i2cBusNumber(number))
	if err != nil {
		t.Fatal(err)
	}
	defer bus.Close()
	clock := newRealClock()
	rec := &sensortest.Recorder{Bus: bus, Clock: clock, Out: recording(t, chip)}
	open := func() (dev interface{ Halt() error }, err error) {
		if contains(inertialChips(), chip) {
			return openInertial(chip, rec, addr, clock, 0)
		}
		return openMagnetometer(chip, rec, addr, clock, 0)
	}
	dev, err := open()
	if err != nil {
		t.Fatal(err)
	}
	sensortest.Live(t, clock, dev, 10*time.Second)
	if err := dev.Halt(); err != nil {
		t.Error(err)
	}
	if dev, err = open(); err != nil {
		t.Fatalf("after Halt: %v", err)
	}
	sensortest.Live(t, clock, dev, 2*time.Second)
	// Nobody answers at an address that no chip has.
	if _, err := openInertial("MPU-6050", rec, 0x77, clock, 0); sensors.FaultOf(err) != sensors.FaultBus {
		t.Logf("address 0x77, where nothing should be: %v", err)
	}
}

func contains(names []string, chip string) bool {
	for _, n := range names {
		if strings.EqualFold(n, chip) {
			return true
		}
	}
	return false
}

func recording(t *testing.T, chip string) *os.File {
	t.Helper()
	dir, name := os.Getenv(recordEnv), os.DevNull
	if dir != "" {
		name = fmt.Sprintf("%s/%s_%s.txt", dir, strings.ToLower(chip), time.Now().UTC().Format("20060102T150405"))
	}
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func parseReal(item string) (chip string, bus int, addr uint16, err error) {
	chip, place, _ := strings.Cut(strings.TrimSpace(item), "@")
	number, at, given := strings.Cut(place, ":")
	if bus, err = strconv.Atoi(number); err != nil {
		return "", 0, 0, fmt.Errorf("%s: %q: want CHIP@BUS or CHIP@BUS:ADDRESS", hardwareEnv, item)
	}
	if given {
		a, err := strconv.ParseUint(at, 0, 7)
		if err != nil {
			return "", 0, 0, fmt.Errorf("%s: %q: want a 7-bit address", hardwareEnv, item)
		}
		addr = uint16(a)
	}
	return chip, bus, addr, nil
}

func TestParseReal(t *testing.T) {
	for item, want := range map[string]string{
		"LSM6DSO@1": "LSM6DSO 1 0", " MMC5983MA@2:0x30": "MMC5983MA 2 48", "LSM6DSO": "", "X@1:0x80": "", "X@b": "",
	} {
		chip, bus, addr, err := parseReal(item)
		got := fmt.Sprintf("%s %d %d", chip, bus, addr)
		if err != nil {
			got = ""
		}
		if got != want {
			t.Errorf("%q: %q, %v, want %q", item, got, err, want)
		}
	}
}
