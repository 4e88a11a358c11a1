package api

import (
	"errors"
	"math"
	"sync"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/trail"
	"plumbstar/daemon"
	"plumbstar/daemon/guidance"
)

// fakeBoard answers with what a test gives it and remembers what it was asked.
type fakeBoard struct {
	mu      sync.Mutex
	here    daemon.Here
	kit     *daemon.Kit
	err     error // of whatever is asked next
	status  *daemon.CalibrationStatus
	offer   daemon.TemperatureOffer
	result  daemon.CalibrationResult
	inUse   []daemon.CalibrationRecord
	sight   daemon.Sight
	drift   daemon.DriftReadings
	frames  daemon.FrameCentres
	all     []daemon.SightingRecord
	revoked bool
	turned  guidance.Adjuster
	turns   float64
}

func newFakeBoard() *fakeBoard {
	site := astro.Site{LatDeg: 51.9, LonDeg: 8.4, HeightM: 210}
	return &fakeBoard{here: daemon.Here{
		UTC:   time.Date(2027, 1, 15, 18, 0, 0, 0, time.UTC),
		Clock: daemon.ClockStatus{Source: "entered", SigmaS: 1, Plausible: true},
		Site:  daemon.SiteStatus{Known: true, Name: "Larkmoor", Site: site, Source: "settings"},
		Air:   astro.StandardAir(210),
		Aim:   &guidance.Aim{AltitudeDeg: 51.912, AzimuthDeg: 0, Kind: "refracted", Hemisphere: astro.North},
		Kit:   daemon.Kit{PixelUM: 4.3, TrailPx: 1, Lenses: []daemon.Lens{{Name: "24 mm", FocalMM: 24, ExposureS: 120}}},
		Error: &trail.Error{HighArcmin: -20, EastArcmin: 15, HighSigmaArcmin: 6, EastSigmaArcmin: 40},
	}}
}

func (f *fakeBoard) fail() error {
	err := f.err
	f.err = nil
	return err
}

func (f *fakeBoard) Here() daemon.Here {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.here
}

func (f *fakeBoard) SetKit(k daemon.Kit) error {
	f.kit = &k
	return f.fail()
}

func (f *fakeBoard) BeginCalibration(k daemon.CalibrationKind) (daemon.CalibrationStatus, error) {
	if err := f.fail(); err != nil {
		return daemon.CalibrationStatus{}, err
	}
	nan := math.NaN()
	f.status = &daemon.CalibrationStatus{
		Kind: k, Seconds: 12.5, Inertial: 1250, Magnetic: 620, Poses: 3, Directions: 2, WantDirections: 9, NextUp: &r3.Vec{X: 1},
		TiltSigmaDeg: 0.4, Coverage: 0.31, WantCoverage: 0.5, GapDeg: 60, Gap: &r3.Vec{Z: -1}, TurnedDeg: nan, Message: "Lay it down.",
	}
	return *f.status, nil
}

func (f *fakeBoard) Calibrating() (daemon.CalibrationStatus, error) {
	if f.status == nil {
		return daemon.CalibrationStatus{}, &daemon.Refusal{Code: "no-session", Text: "no calibration is running: begin one first", Conflict: true}
	}
	return *f.status, nil
}

func (f *fakeBoard) FinishCalibration() (daemon.CalibrationResult, error) {
	if err := f.fail(); err != nil {
		return daemon.CalibrationResult{}, err
	}
	return f.result, nil
}

func (f *fakeBoard) CancelCalibration() error {
	f.status = nil
	return f.fail()
}

func (f *fakeBoard) TemperatureOffer() daemon.TemperatureOffer {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.offer.State == "" {
		f.offer.State = daemon.OfferNone
	}
	return f.offer
}

func (f *fakeBoard) AcceptTemperature() (string, error) {
	if err := f.fail(); err != nil {
		return "", err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.offer.State = daemon.OfferInUse
	return "", nil
}

func (f *fakeBoard) Calibrations() (inUse, kept []daemon.CalibrationRecord) { return f.inUse, f.inUse }

func (f *fakeBoard) record(kind daemon.SightKind) daemon.SightingRecord {
	warm := 4.5
	return daemon.SightingRecord{
		ID: 3, Time: f.here.UTC, Kind: kind, How: daemon.SightAlong, Body: "Polaris", Altitude: &daemon.Angle{Deg: 52.1, SigmaDeg: 0.07},
		Azimuth: &daemon.Angle{Deg: 359.99999, SigmaDeg: 0.1}, WasAltitude: &daemon.Angle{Deg: 52, SigmaDeg: 0.4}, SigmaDeg: 0.07, TempC: &warm, InUse: true,
		Fix: &pole.Fix{HighArcmin: 3, Freedom: 2, ChiSquare: 1.5, Outliers: []pole.Outlier{{Index: 1, Label: "reading 2", Sigmas: 5}}},
	}
}

func (f *fakeBoard) Sight(q daemon.Sight) (daemon.SightingRecord, error) {
	f.sight = q
	return f.record(q.Kind), f.fail()
}

func (f *fakeBoard) ReadDrift(q daemon.DriftReadings) (daemon.SightingRecord, error) {
	f.drift = q
	return f.record("drift"), f.fail()
}

func (f *fakeBoard) ReadFrames(q daemon.FrameCentres) (daemon.SightingRecord, error) {
	f.frames = q
	return f.record("frames"), f.fail()
}

func (f *fakeBoard) Sightings() []daemon.SightingRecord { return f.all }

func (f *fakeBoard) RevokeSightings() error {
	f.revoked = true
	return f.fail()
}

func (f *fakeBoard) TellTurns(a guidance.Adjuster, turns float64) error {
	f.turned, f.turns = a, turns
	return f.fail()
}

func (f *fakeBoard) Knobs() (altitude, azimuth guidance.KnobState, tell bool) {
	inf := math.Inf(1)
	altitude = guidance.KnobState{DegPerTurnSigma: inf, BacklashSigma: inf, CouplingSigma: inf}
	azimuth = guidance.KnobState{Known: true, DegPerTurn: -2.4, DegPerTurnSigma: 0.1, BacklashDeg: 0.2, BacklashSigma: 0.05, Coupling: 0, CouplingSigma: inf, TurnsTold: 3}
	return altitude, azimuth, true
}

func (f *fakeBoard) ForgetKnobs() error {
	f.turned = ""
	return f.fail()
}

var errDisk = errors.New("disk on fire at /some/place")
