package daemon

import (
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3"

	"plumbstar/sensors"
)

// Limits of patience with a sensor.
const (
	// errorsInRow and silence end a connection; it is then opened anew.
	errorsInRow = 5
	silence     = time.Second
	// retryFirst and retryLongest bound the wait between attempts to open: short
	// enough that guidance is back within 3 s of a repair even on a slow machine.
	// An attempt where nobody answers is one short transfer or a few, while a sensor
	// at work has a hundred in a second.
	retryFirst   = 250 * time.Millisecond
	retryLongest = 500 * time.Millisecond
	// checkEvery is how often a silent brown-out is looked for.
	checkEvery = time.Minute
	// tellEvery is how often a fault of one name is told that passes by itself.
	tellEvery = time.Minute
	// rateWindow is over what the sample rate is measured.
	rateWindow = 2 * time.Second
)

// queued is a source that may hold several samples at once, like a recording.
type queued interface{ Pending() bool }

// configChecker is a driver that can tell that its chip lost its settings.
type configChecker interface{ CheckConfig() error }

// slot keeps one sensor alive: opens it, reads it, gives it up and finds it
// again.
type slot struct {
	status  SensorStatus
	dev     conn.Resource
	open    func() (conn.Resource, error)
	opening bool // open said ErrOpening
	retryAt time.Duration
	wait    time.Duration
	lastOK  time.Duration
	askedAt time.Duration // for a sample
	period  time.Duration // of the chip's samples; 0: it is asked in every round
	since   time.Duration // the newest sample came after this time
	quiet   time.Duration // since when the chip has had nothing new
	checkAt time.Duration
	inRow   int
	windowN uint64
	windowT time.Duration
	wasOpen bool
	event   func(kind, text string) // lost, found
	// passing is told of a fault that is over and did not end the connection; fault is
	// one that still may; toldAt is when it was told last, by name.
	passing func(text string)
	fault   sensors.Fault
	toldAt  map[sensors.Fault]time.Duration
	lastErr error
	onLost  func()
}

func newSlot(name, device string, open func() (conn.Resource, error), onLost func(), event func(kind, text string)) *slot {
	if onLost == nil {
		onLost = func() {}
	}
	return &slot{
		onLost: onLost,
		status: SensorStatus{Name: name, Device: device, State: "starting", AgeS: -1, TempC: math.NaN(), Faults: map[string]uint64{}},
		open:   open, wait: retryFirst, event: event, passing: func(string) {}, toldAt: map[sensors.Fault]time.Duration{},
	}
}

// ready opens the sensor when it is time to, and reports whether it can be read.
func (s *slot) ready(now time.Duration) bool {
	if s.dev != nil {
		return true
	}
	if now < s.retryAt {
		return false
	}
	dev, err := s.open()
	if s.opening = errors.Is(err, ErrOpening); s.opening {
		return false
	}
	if err != nil {
		if s.status.State != "lost" || faultName(err) != faultName(s.lastErr) {
			s.fail(err)
		}
		s.retryAt = now + s.wait
		s.wait = min(2*s.wait, retryLongest)
		if s.status.State != "lost" {
			s.status.State = "lost"
			s.event("lost", s.status.Name+": "+err.Error())
		}
		s.onLost()
		return false
	}
	s.dev = dev
	s.status.Device = dev.String()
	s.inRow = 0
	s.lastOK, s.quiet, s.askedAt, s.checkAt = now, now, now, now+checkEvery
	s.windowN, s.windowT = 0, now
	s.period, s.since = periodOf(dev), now
	return true
}

// periodOf is the time between a chip's samples; 0 of a source that keeps them all.
func periodOf(dev conn.Resource) time.Duration {
	if _, ok := dev.(queued); ok {
		return 0
	}
	hz := 0.0
	switch x := dev.(type) {
	case sensors.Inertial:
		hz = x.Spec().RateHz
	case sensors.Magnetometer:
		hz = x.Spec().RateHz
	}
	if hz <= 0 {
		return 0
	}
	return time.Duration(float64(time.Second) / hz)
}

// soonest is the share of its period after which a chip's next sample may come: their
// clocks are right to a tenth (LSM6DSO: 6 % typical, from memory; own margin).
const soonest = 0.9

// rests reports whether the chip need not be asked in this round of the loop: its next
// sample is hardly due, and stays until the next round in any case.
func (s *slot) rests(now, round time.Duration) bool {
	again := time.Duration(2 * soonest * float64(s.period))
	return now < s.lastOK+s.period-round/2 && now+round <= s.since+again
}

// sample records a success.
func (s *slot) sample(now, at time.Duration, tempC float64, f sensors.Flags) {
	if s.status.State != "ok" {
		if s.wasOpen {
			s.status.Recoveries++
		}
		s.event("found", s.status.Name+": "+s.status.Device)
		s.status.State = "ok"
		s.wasOpen = true
	}
	if s.fault != "" {
		s.passed(now)
	}
	if s.askedAt > s.lastOK {
		s.since = s.askedAt // when it was not there
	} else {
		s.since += time.Duration(soonest * float64(s.period))
	}
	s.wait = retryFirst
	s.inRow = 0
	s.lastOK, s.quiet, s.askedAt = now, now, now
	s.status.Samples++
	s.status.TempC = tempC
	if f.Has(sensors.Clipped) {
		s.status.Clipped++
	}
	if f.Has(sensors.Overrun) {
		s.status.Overruns++
	}
	s.windowN++
	if d := now - s.windowT; d >= rateWindow {
		s.status.RateHz = float64(s.windowN) / d.Seconds()
		s.windowN, s.windowT = 0, now
	}
}

// trouble judges the error of a read; nil is passed as ErrNoNewData by callers
// that have nothing.
func (s *slot) trouble(now time.Duration, err error) {
	if errors.Is(err, sensors.ErrNoNewData) {
		if now-s.askedAt > silence/2 {
			s.quiet = now // nobody asked meanwhile: the silence was not the chip's
		}
		s.askedAt = now
		if now-s.quiet > silence {
			s.lose(now, &sensors.Error{Chip: s.status.Device, Op: "wait for a sample", Fault: sensors.FaultFrozen,
				Hint: "the chip answers but measures nothing: check its supply"})
		}
		return
	}
	s.fail(err)
	s.inRow++
	if !sensors.Retryable(err) || s.inRow >= errorsInRow || now-s.lastOK > silence {
		s.lose(now, nil)
		return
	}
	s.fault = s.status.Fault
}

// passed tells of a fault that was followed by a sample: one bad transfer in a million
// is a loose wire that will be one in ten.
func (s *slot) passed(now time.Duration) {
	if at, told := s.toldAt[s.fault]; !told || now-at >= tellEvery {
		s.toldAt[s.fault] = now
		s.passing(s.status.Name + ": " + s.status.LastError)
	}
	s.fault = ""
}

// check looks for a brown-out once a minute.
func (s *slot) check(now time.Duration) {
	if now < s.checkAt {
		return
	}
	s.checkAt = now + checkEvery
	if c, ok := s.dev.(configChecker); ok {
		if err := c.CheckConfig(); err != nil {
			s.fail(err)
			s.lose(now, nil)
		}
	}
}

// fail counts an error. While a sensor is lost, attempts that fail as the one before
// are not counted: the counts tell how often something broke, not for how long.
func (s *slot) fail(err error) {
	s.lastErr = err
	s.status.Errors++
	s.status.LastError = err.Error()
	if s.status.Fault = sensors.FaultOf(err); s.status.Fault == "" {
		s.status.Fault = sensors.FaultBus
	}
	name := faultName(err)
	s.status.Faults[string(name)]++
	s.status.Advice = Advice(name)
}

// faultName is the name under which a fault is counted and advised upon.
func faultName(err error) sensors.Fault {
	if name := sensors.NameOf(err); name != "" {
		return name
	}
	return sensors.FaultBus
}

func (s *slot) lose(now time.Duration, err error) {
	if err != nil {
		s.fail(err)
	}
	if s.status.Fault != sensors.FaultBus {
		// Whether it could be halted does not matter; on a bus that hangs, each
		// try would cost the adapter's time-out.
		_ = s.dev.Halt()
	}
	s.dev, s.fault = nil, ""
	s.status.State = "lost"
	s.status.RateHz = 0
	s.retryAt = now + s.wait
	s.onLost()
	s.event("lost", fmt.Sprintf("%s: %s", s.status.Name, s.status.LastError))
}

// snapshot is the status at now; the map is copied since snapshots are kept.
func (s *slot) snapshot(now time.Duration) SensorStatus {
	out := s.status
	out.Faults = make(map[string]uint64, len(s.status.Faults))
	for k, v := range s.status.Faults {
		out.Faults[k] = v
	}
	if s.status.Samples > 0 {
		out.AgeS = (now - s.lastOK).Seconds()
	}
	return out
}

// Advice is what the person at the board can do about a fault.
func Advice(f sensors.Fault) string {
	switch f {
	case sensors.FaultBus:
		return "Check plug, wires and pull-up resistors, and that nothing else uses the address."
	case sensors.FaultNoAnswer:
		return "Nobody answers at the address: check plug, wires and supply; `plumbstar scan` lists what answers."
	case sensors.FaultHeldLow:
		return "A line of the bus is held low, or a chip stretches the clock: check the wires and pull-up resistors, unplug one device after the other; a chip that stretches needs the i2c-gpio overlay. Where the adapter cannot free the bus, only switching the supply off does."
	case sensors.FaultAdapterGone:
		return "There is no bus: enable I2C in the computer's settings, or plug the bus adapter in; the kernel's log says more."
	case sensors.FaultIdentity:
		return "Another chip answers at this address: run `plumbstar scan` and set chip and address."
	case sensors.FaultReset:
		return "The chip lost its supply for a moment: check the 3.3 V line and the plug."
	case sensors.FaultImplausible:
		return "The chip answers with empty bytes: check its supply and the data line."
	case sensors.FaultFrozen:
		return "The chip answers but measures nothing new: check its supply; unplug and replug it."
	case sensors.FaultSetting:
		return "The settings ask for what this chip cannot do: see the message."
	}
	return ""
}
