package mmc5983ma

import (
	"errors"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// Steps of a pair: SET, measure m1 = +H + offset, RESET, measure
// m2 = -H + offset, SET, measure m3 = +H + offset.
const (
	pairOff = iota
	pairStop
	pairSet
	pairMeasure1
	pairRead1 // and RESET
	pairMeasure2
	pairRead2 // and SET
	pairMeasure3
	pairRead3 // and back to continuous measurement
)

// retryAfter is the wait before another pair when the field changed during one.
const retryAfter = 5 * time.Second

// pair is the bridge offset in use and the measurement of a new one.
type pair struct {
	offset      r3.Vec // µT, in use
	known       bool   // there is one
	good        bool   // the last pair was measured at rest
	at          time.Duration
	tempC, nowC float64 // at the pair, and as last noted

	step   int
	next   time.Duration // no step before
	asked  time.Duration // when the running measurement was asked for
	m1, m2 r3.Vec
	clip   bool
}

// NoteTemperature tells the driver the temperature near the chip in °C, for
// example of the accelerometer on the same board, so that it measures the bridge
// offset again when that has changed by Opts.PairDeltaC. NaN is ignored.
func (d *Dev) NoteTemperature(tempC float64) {
	if math.IsNaN(tempC) {
		return
	}
	d.pair.nowC = tempC
	if math.IsNaN(d.pair.tempC) {
		d.pair.tempC = tempC
	}
}

// BridgeOffset is the offset in use, in µT and the axes of the data registers.
func (d *Dev) BridgeOffset() r3.Vec { return d.pair.offset }

func (d *Dev) pairDue(now time.Duration) bool {
	p := &d.pair
	switch {
	case p.step != pairOff:
		return false
	case !p.good:
		return now-p.at >= min(d.opts.PairEvery, retryAfter)
	}
	return now-p.at >= d.opts.PairEvery || math.Abs(p.nowC-p.tempC) >= d.opts.PairDeltaC
}

// action is the write that ends a step, and how long the chip then needs.
func (d *Dev) action(step int) (reg, value byte, wait time.Duration) {
	switch step {
	case pairSet, pairRead2:
		return regControl0, setPulse, pulseTime
	case pairRead1:
		return regControl0, resetPulse, pulseTime
	case pairRead3:
		return regControl2, d.control[1], 0
	case pairStop:
		// A measurement may be under way.
		return regControl2, 0, d.takes * 5 / 4
	}
	// A measurement takes d.takes; a quarter more for the chip's own clock.
	return regControl0, measure, d.takes * 5 / 4
}

// stepPair carries out the next step of a pair once it is time for it: at most
// two short transactions. The last step gives a sample, the others
// ErrNoNewData. After a fault the pair starts again.
func (d *Dev) stepPair(now time.Duration) (sensors.MagneticSample, error) {
	const op = "measure bridge offset"
	p := &d.pair
	if now < p.next {
		return sensors.MagneticSample{}, sensors.ErrNoNewData
	}
	var s sensors.MagneticSample
	switch p.step {
	case pairRead1, pairRead2, pairRead3:
		b, err := d.readMeasured(op, now)
		if err != nil {
			if !errors.Is(err, sensors.ErrNoNewData) {
				p.step = pairStop
			}
			return sensors.MagneticSample{}, err
		}
		if s, err = d.takePart(op, now, b); err != nil {
			p.step = pairStop
			return s, err
		}
	}
	reg, value, wait := d.action(p.step)
	if err := d.Set(op, reg, value); err != nil {
		p.step = pairStop
		return sensors.MagneticSample{}, err
	}
	p.asked, p.next = now, now+wait
	if p.step == pairRead3 {
		p.step = pairOff
		return s, nil
	}
	p.step++
	return sensors.MagneticSample{}, sensors.ErrNoNewData
}

// readMeasured reads a burst, once the chip says that it has measured.
func (d *Dev) readMeasured(op string, now time.Duration) ([]byte, error) {
	b, err := d.Read(op, regData, burst)
	switch {
	case err != nil:
		return nil, err
	case sensors.Blank(b):
		return nil, d.Fail(op, sensors.FaultImplausible, "check the data line and the supply",
			errors.New("the burst is all 0x00 or all 0xff"))
	case b[burst-1]&measured != 0:
		return b, nil
	case now-d.pair.asked > 20*d.takes+100*time.Millisecond:
		return nil, d.Fail(op, sensors.FaultFrozen, "check the supply",
			errors.New("the measurement that was asked for does not end"))
	}
	return nil, sensors.ErrNoNewData
}

// empty is what data registers decode to that hold nothing since a reset.
var empty = r3.Vec{X: -zero * utPerCount, Y: -zero * utPerCount, Z: -zero * utPerCount}

// takePart takes over one of the three measurements. The last one is a sample
// as well, in the newest offset. A pulse turns the field's sign: when not one bit
// differs after it, the output stands still, and the offset would swallow the
// whole field.
func (d *Dev) takePart(op string, now time.Duration, b []byte) (sensors.MagneticSample, error) {
	p := &d.pair
	raw, clipped := decode(b)
	before := p.m1
	switch p.step {
	case pairRead1:
		p.m1, p.clip = raw, clipped
		return sensors.MagneticSample{}, nil
	case pairRead3:
		before = p.m2
	}
	if raw == before && (!clipped || raw == empty) {
		return sensors.MagneticSample{}, d.Fail(op, sensors.FaultFrozen, "the chip answers but measures nothing: check its supply",
			errors.New("a SET or RESET pulse changes nothing"))
	}
	p.clip = p.clip || clipped
	if p.step == pairRead2 {
		p.m2 = raw
		return sensors.MagneticSample{}, nil
	}
	d.finishPair(now, raw)
	s := d.sample(b)
	s.At = now
	// From here on the chip measures by itself again.
	d.Fresh.Judge(now, true, false, b[:dataBytes])
	return s, nil
}

// finishPair takes over a new offset. m1 and m3 see the same field when the chip
// rests, and in the mean with m2 between them a steady turn cancels. A pair with
// more change than noise explains, or with a clipped value, is used only when
// there is nothing else.
func (d *Dev) finishPair(now time.Duration, m3 r3.Vec) {
	p := &d.pair
	change := r3.Norm(r3.Sub(m3, p.m1))
	p.good = !p.clip && change <= 8*d.noiseUT
	if p.good || !p.known {
		p.offset = r3.Scale(0.25, r3.Add(r3.Add(p.m1, m3), r3.Scale(2, p.m2)))
		p.tempC, p.known = p.nowC, true
	}
	p.at = now
}
