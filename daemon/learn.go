package daemon

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors/stability"
)

// learning is what the nights so far have taught. looking is held while they are
// read; the daemon's lock guards the rest.
type learning struct {
	looking sync.Mutex
	offer   TemperatureOffer
}

// OfferState is where a learned calibration stands.
type OfferState string

const (
	// OfferNone: nobody has looked yet.
	OfferNone OfferState = "none"
	// OfferOpen: it waits for the user.
	OfferOpen OfferState = "open"
	// OfferRefused: the nights do not teach it; Reason says why.
	OfferRefused OfferState = "refused"
	// OfferInUse: it was accepted.
	OfferInUse OfferState = "in-use"
)

// TemperatureOffer is a calibration that nights have taught, with its evidence.
type TemperatureOffer struct {
	State  OfferState
	Reason string // of OfferRefused
	// Proven: the newest night, foretold from the others, became clearly better.
	Proven bool
	// Record is what would be kept, nil without one; Skipped says which nights were
	// not used, and why.
	Record  *CalibrationRecord
	Skipped []string
}

// NightSource reads the newest nights that a chip was at rest in, oldest first.
type NightSource func(ctx context.Context, chip string) ([]stability.Night, error)

// LearnTemperature reads the nights and makes an offer of what they teach. With
// unasked, it is used at once when a held-back night proves it and no watch is
// armed. It takes seconds; the loop goes on. The error is that of the reading: what
// the nights do not teach is a matter of the offer.
func (d *Daemon) LearnTemperature(ctx context.Context, nights NightSource, unasked bool) error {
	d.learning.looking.Lock()
	defer d.learning.looking.Unlock()
	d.mu.Lock()
	chip, drift := d.boardOf(PartTemperature), d.spec.AccelDriftPerC
	known := d.inertial.status.State == "ok"
	d.mu.Unlock()
	if !known {
		return conflict("sensor-lost", "the inertial sensor does not answer: which chip to learn about is not known")
	}
	list, err := nights(ctx, chip)
	if err != nil {
		return err
	}
	if drift == 0 {
		drift = math.Inf(1) // no data sheet to do better than
	}
	l, err := stability.Learn(list, drift)
	if err != nil {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.learning.offer = TemperatureOffer{State: OfferRefused, Reason: err.Error()}
		return nil
	}
	o := TemperatureOffer{State: OfferOpen, Proven: l.Proven(), Skipped: l.Skipped, Record: offeredRecord(chip, l)}
	d.mu.Lock()
	if u := d.inUse[PartTemperature]; u != nil && sameNights(u, o.Record) {
		o.State = OfferInUse
	}
	d.learning.offer = o
	use := unasked && o.Proven && o.State == OfferOpen && !d.watching.armed
	d.mu.Unlock()
	if use {
		_, err := d.AcceptTemperature()
		return err
	}
	return nil
}

func sameNights(a, b *CalibrationRecord) bool {
	if a.Temperature == nil || len(a.Temperature.Nights) != len(b.Temperature.Nights) {
		return false
	}
	for i, n := range a.Temperature.Nights {
		if n != b.Temperature.Nights[i] {
			return false
		}
	}
	return true
}

// tempSpanC is the change of temperature that a record's sigma_deg is for.
const tempSpanC = 10.0

func offeredRecord(chip string, l *stability.Learned) *CalibrationRecord {
	t := temperatureRecord(l)
	r := &CalibrationRecord{
		Part: PartTemperature, Method: CalibrationNights, Board: chip, Temperature: t,
		SigmaDeg: tempSpanC * tiltSigma(t.AccelNext, t.Up),
	}
	axis := func(v r3.Vec, k int) float64 { return [3]float64{v.X, v.Y, v.Z}[k] }
	for k, name := range []string{"x", "y", "z"} {
		r.Figures = append(r.Figures, figures(
			Figure{name + "_mg_per_c", "accelerometer " + name + ", change per °C, thousandths of gravity", axis(t.AccelPerC, k) / milliG},
			Figure{name + "_sigma_mg_per_c", "its 1 sigma", axis(t.AccelSigma, k) / milliG},
		)...)
		if t.GyroPerC != nil {
			r.Figures = append(r.Figures, figures(
				Figure{name + "_gyro_deg_s_per_c", "gyroscope " + name + ", change per °C", axis(*t.GyroPerC, k) / degree},
				Figure{name + "_gyro_sigma_deg_s_per_c", "its 1 sigma", axis(*t.GyroSigma, k) / degree},
			)...)
		}
	}
	r.Figures = append(r.Figures, figures(
		Figure{"next_night_deg_per_c", "tilt that a further night may still drift by per °C, 1 sigma", tiltSigma(t.AccelNext, t.Up)},
		Figure{"nights", "nights behind it", float64(len(t.Nights))},
		Figure{"min_c", "coldest in them", t.MinC},
		Figure{"max_c", "warmest in them", t.MaxC},
		Figure{"held_back_night", "night that was held back", float64(l.HeldBack)},
		Figure{"held_back_before_deg", "how far its tilt wandered, root mean square", l.BeforeDeg},
		Figure{"held_back_after_deg", "and with what the other nights teach", l.AfterDeg},
	)...)
	return r
}

// milliG is a thousandth of gravity, m/s².
const milliG = 9.80665e-3

// TemperatureOffer is the newest offer.
func (d *Daemon) TemperatureOffer() TemperatureOffer {
	d.mu.Lock()
	defer d.mu.Unlock()
	o := d.learning.offer
	if o.State == "" {
		o.State = OfferNone
	}
	return o
}

// AcceptTemperature puts the offer to use and keeps it; notKept is empty or says
// why it could not be stored.
func (d *Daemon) AcceptTemperature() (notKept string, err error) {
	d.calibrating.Lock()
	defer d.calibrating.Unlock()
	d.mu.Lock()
	o := d.learning.offer
	switch {
	case d.watching.armed:
		err = conflict("watch-armed", "the watch is armed, and would have to compare with a new pose: disarm it first, or accept after the night")
	case o.State == OfferInUse:
		err = conflict("in-use", "what the nights teach of the temperature is in use already")
	case o.State != OfferOpen:
		reason := o.Reason
		if reason == "" {
			reason = "nobody has looked at the nights yet"
		}
		err = conflict("nothing-offered", "the nights do not teach the temperature coefficients: "+strings.TrimPrefix(reason, "temperature: "))
	case o.Record.Board != d.boardOf(PartTemperature):
		err = conflict("other-chip", fmt.Sprintf("the offer is for %s, and %s answers now", o.Record.Board, d.boardOf(PartTemperature)))
	}
	if err != nil {
		d.mu.Unlock()
		return "", err
	}
	r := *o.Record
	r.Time = d.utc(d.opt.Clock.Now())
	r.TimeSure = d.clockStatus(r.Time).Plausible
	r.TempC = numberOrNil(d.inertial.status.TempC)
	if d.place.status.Known {
		site := d.place.status.Site
		r.Site = &site
	}
	d.useTemperature(&r)
	records := []CalibrationRecord{r}
	d.inUse[PartTemperature] = &records[0]
	d.learning.offer.State = OfferInUse
	d.log.Info("calibration used", "part", r.Part, "method", r.Method, "sigma_deg", r.SigmaDeg)
	d.mu.Unlock()
	return d.keep(records), nil
}
