package api

import (
	"context"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/daemon"
)

// Calibrations are those in use and all that were kept.
type Calibrations struct {
	InUse   []Calibration       `json:"in_use" nullable:"false" doc:"At most one per part; a part that is missing is not calibrated"`
	History []Calibration       `json:"history" nullable:"false" doc:"All that were kept, of any board, oldest first"`
	Session *CalibrationSession `json:"session" doc:"The calibration that is running; null when none is"`
	Offer   CalibrationOffer    `json:"offer" doc:"What the nights in the log teach of the temperature"`
}

// Calibration is one calibration of one part.
type Calibration struct {
	ID      int64    `json:"id" doc:"0 when it was not kept"`
	Time    Time     `json:"time" doc:"null when the clock could not be right"`
	Part    string   `json:"part" enum:"accelerometer,compass,second compass,second accelerometer,axis,turn check,temperature"`
	Method  string   `json:"method" enum:"board,in-place,head,swing,given,nights" doc:"How it was found; given: the program was started with it; nights: shown by nights under watch"`
	Board   Text     `json:"board" doc:"The chips that it belongs to"`
	Temp    Number   `json:"temp_c" doc:"Of the chip, °C"`
	Sigma   Number   `json:"sigma_deg" doc:"1 sigma that it leaves: tilt, heading, or direction of the axis; of a temperature part the tilt after a change by 10 °C"`
	Figures []Figure `json:"figures" nullable:"false"`
}

// CalibrationOffer is a calibration that nights under watch have taught: how the
// offsets of the inertial sensor follow its temperature. It waits to be accepted.
type CalibrationOffer struct {
	State   string   `json:"state" enum:"none,open,refused,in-use" doc:"none: nobody has looked at the nights yet; refused: they do not teach it"`
	Reason  Text     `json:"reason" doc:"Why it is refused, and what to do"`
	Proven  bool     `json:"proven" doc:"The newest night, held back and foretold from the others, became clearly better"`
	Board   Text     `json:"board" doc:"The chip that it belongs to; null without an offer"`
	Sigma   Number   `json:"sigma_deg" doc:"1 sigma of the tilt that it leaves after a change by 10 °C"`
	Figures []Figure `json:"figures" nullable:"false" doc:"The coefficients and the evidence for them"`
	Skipped []string `json:"skipped" nullable:"false" doc:"Nights that were not used, and why"`
}

// AcceptedOffer is the offer once it is in use.
type AcceptedOffer struct {
	Offer   CalibrationOffer `json:"offer"`
	NotKept Text             `json:"not_kept" doc:"Why it could not be stored, though it is in use; null when all is well"`
}

// Figure is one number of a result.
type Figure struct {
	Name  string `json:"name" doc:"Ends in its unit"`
	Text  string `json:"text"`
	Value Number `json:"value"`
}

// CalibrationSession is what a running calibration has so far.
type CalibrationSession struct {
	_              struct{} `nullable:"true"`
	Kind           string   `json:"kind" enum:"board,in-place,head,swing"`
	Seconds        Number   `json:"seconds_s"`
	Samples        int      `json:"samples" doc:"Of the inertial sensor, kept for the fit"`
	FieldSamples   int      `json:"field_samples" doc:"Of the magnetometer"`
	Full           bool     `json:"full" doc:"No more is kept: finish or cancel"`
	Still          bool     `json:"still" doc:"The board rests now, long enough for a pose"`
	Poses          int      `json:"poses" doc:"Rest poses found"`
	Directions     int      `json:"directions" doc:"Of which point differently, by 15° or more"`
	WantDirections int      `json:"want_directions"`
	NextUp         *Vector  `json:"next_up" doc:"Direction of the board that should point up in the next rest pose; null when there are enough"`
	TiltSigma      Number   `json:"tilt_sigma_deg" doc:"What the poses so far would leave, 1 sigma"`
	Coverage       Number   `json:"coverage" doc:"Share of all directions from which the field has come, 0 to 1"`
	WantCoverage   Number   `json:"want_coverage"`
	Gap            *Vector  `json:"gap" doc:"Direction of the board that the field has been farthest from; null when not known"`
	GapDeg         Number   `json:"gap_deg" doc:"Radius of that gap"`
	Turned         Number   `json:"turned_deg" doc:"How far mount or head was turned; null before the first rest or without a gyroscope"`
	WantTurn       Number   `json:"want_turn_deg"`
	Ready          bool     `json:"ready" doc:"A fit would probably be accepted"`
	Message        string   `json:"message" doc:"What to do now"`
}

// Vector is a direction in body axes, of unit length: forward along the
// tracker's axis toward the night sky, left, and up when the base is level.
type Vector struct {
	_       struct{} `nullable:"true"`
	Forward float64  `json:"forward"`
	Left    float64  `json:"left"`
	Up      float64  `json:"up"`
}

// CalibrationEntry begins a calibration.
type CalibrationEntry struct {
	Kind string `json:"kind" enum:"board,in-place,head,swing" doc:"board: rest poses and a slow turn through all directions, in the hand; in-place: a turn in azimuth and a little tilt, on the mount; head: the tracker's head turned by 90 to 180°; swing: the mount turned around the horizon"`
}

// CalibrationOutcome is the result of a finished session.
type CalibrationOutcome struct {
	Kind     string            `json:"kind" enum:"board,in-place,head,swing"`
	Accepted bool              `json:"accepted" doc:"Every part was accepted"`
	Running  bool              `json:"running" doc:"The session goes on: a part was refused, more movement may cure that"`
	NotKept  Text              `json:"not_kept" doc:"Why something could not be stored, though it is in use; null when all is well"`
	Parts    []CalibrationPart `json:"parts" nullable:"false"`
}

// CalibrationPart is what was found of one part.
type CalibrationPart struct {
	Part     string   `json:"part" enum:"accelerometer,compass,second compass,second accelerometer,axis,turn check"`
	Accepted bool     `json:"accepted"`
	Reason   Text     `json:"reason" doc:"Why it was refused, and what to do"`
	Note     Text     `json:"note" doc:"What an accepted one leaves open"`
	Sigma    Number   `json:"sigma_deg" doc:"1 sigma that it leaves"`
	Figures  []Figure `json:"figures" nullable:"false"`
}

const (
	calibrationsPath = "/api/v1/calibrations"
	sessionPath      = calibrationsPath + "/session"
	offerPath        = calibrationsPath + "/offer"
)

type (
	calibrationsOutput struct{ Body Calibrations }
	sessionOutput      struct{ Body CalibrationSession }
	sessionInput       struct{ Body CalibrationEntry }
	outcomeOutput      struct{ Body CalibrationOutcome }
	acceptOutput       struct{ Body AcceptedOffer }
)

func (s *Server) registerCalibrations(api huma.API) {
	register(api, s.operation(http.MethodGet, calibrationsPath, "get-calibrations", "Calibrations in use and kept", ""),
		func(context.Context, *struct{}) (*calibrationsOutput, error) {
			return &calibrationsOutput{Body: s.calibrations()}, nil
		})
	register(api, s.writing(http.MethodPost, calibrationsPath, "begin-calibration", "Begin a calibration",
		"Samples are gathered from now on, while guidance goes on. Only one calibration runs at a time."),
		func(_ context.Context, in *sessionInput) (*sessionOutput, error) {
			c, err := s.o.Board.BeginCalibration(daemon.CalibrationKind(in.Body.Kind))
			if err != nil {
				return nil, s.refused("beginning the calibration", err)
			}
			return &sessionOutput{Body: sessionOf(c)}, nil
		})
	register(api, s.reading(sessionPath, "get-calibration-session", "How the running calibration stands", "409 when none is running."),
		func(context.Context, *struct{}) (*sessionOutput, error) {
			c, err := s.o.Board.Calibrating()
			if err != nil {
				return nil, s.refused("reading the calibration", err)
			}
			return &sessionOutput{Body: sessionOf(c)}, nil
		})
	huma.Register(api, s.writing(http.MethodDelete, sessionPath, "cancel-calibration", "Cancel the running calibration", "What was gathered is dropped; calibrations in use stay."),
		func(context.Context, *struct{}) (*none, error) {
			if err := s.o.Board.CancelCalibration(); err != nil {
				return nil, s.refused("cancelling the calibration", err)
			}
			return &none{}, nil
		})
	register(api, s.writing(http.MethodPost, sessionPath+"/finish", "finish-calibration", "Fit and use what was gathered",
		"Takes a second or so. Parts succeed or are refused apart; what was accepted is in use at once and kept. "+
			"When a part is refused the session goes on, so that more movement can be added. 422 when no part was accepted, with one reason per part."),
		s.finishCalibration)
	register(api, s.writing(http.MethodPost, offerPath+"/accept", "accept-calibration-offer", "Use what the nights teach",
		"Puts the offer to use and keeps it. What a turn of the mount or a sighting has shown was seen without it and is dropped. 409 when nothing is offered, or while the watch is armed."),
		s.acceptOffer)
}

func (s *Server) acceptOffer(context.Context, *struct{}) (*acceptOutput, error) {
	notKept, err := s.o.Board.AcceptTemperature()
	if err != nil {
		return nil, s.refused("accepting what the nights teach", err)
	}
	return &acceptOutput{Body: AcceptedOffer{Offer: s.offer(), NotKept: Text(notKept)}}, nil
}

func (s *Server) offer() CalibrationOffer {
	o := s.o.Board.TemperatureOffer()
	out := CalibrationOffer{State: string(o.State), Reason: Text(o.Reason), Proven: o.Proven, Skipped: append([]string{}, o.Skipped...), Figures: []Figure{}}
	if r := o.Record; r != nil {
		out.Board, out.Sigma, out.Figures = Text(r.Board), sigmaOf(r.SigmaDeg, true), figuresOf(r.Figures)
	}
	return out
}

func (s *Server) finishCalibration(context.Context, *struct{}) (*outcomeOutput, error) {
	res, err := s.o.Board.FinishCalibration()
	if err != nil {
		return nil, s.refused("finishing the calibration", err)
	}
	out := CalibrationOutcome{Kind: string(res.Kind), Accepted: res.Accepted, Running: res.Running, NotKept: Text(res.NotKept), Parts: []CalibrationPart{}}
	var reasons []string
	any := false
	problem := &refusal{ErrorModel: huma.ErrorModel{Status: http.StatusUnprocessableEntity, Title: http.StatusText(http.StatusUnprocessableEntity)}, Code: "calibration-refused"}
	for i := range res.Parts {
		p := &res.Parts[i]
		out.Parts = append(out.Parts, CalibrationPart{
			Part: string(p.Part), Accepted: p.Accepted, Reason: Text(p.Reason), Note: Text(p.Note), Sigma: sigmaOf(p.SigmaDeg, p.Accepted), Figures: figuresOf(p.Figures),
		})
		any = any || p.Accepted
		if !p.Accepted {
			reasons = append(reasons, p.Reason)
			problem.Errors = append(problem.Errors, &huma.ErrorDetail{Location: string(p.Part), Message: p.Reason})
		}
	}
	if !any {
		problem.Detail = strings.Join(reasons, "; ")
		return nil, problem
	}
	return &outcomeOutput{Body: out}, nil
}

func (s *Server) calibrations() Calibrations {
	inUse, kept := s.o.Board.Calibrations()
	c := Calibrations{InUse: make([]Calibration, 0, len(inUse)), History: make([]Calibration, 0, len(kept))}
	for i := range inUse {
		c.InUse = append(c.InUse, calibrationOf(&inUse[i]))
	}
	for i := range kept {
		c.History = append(c.History, calibrationOf(&kept[i]))
	}
	c.Offer = s.offer()
	if status, err := s.o.Board.Calibrating(); err == nil {
		session := sessionOf(status)
		c.Session = &session
	}
	return c
}

func calibrationOf(r *daemon.CalibrationRecord) Calibration {
	c := Calibration{
		ID: r.ID, Part: string(r.Part), Method: string(r.Method), Board: Text(r.Board),
		Sigma: sigmaOf(r.SigmaDeg, true), Figures: figuresOf(r.Figures),
	}
	if r.TimeSure {
		c.Time = Time(r.Time)
	}
	if r.TempC != nil {
		c.Temp = Known(*r.TempC)
	}
	return c
}

func sigmaOf(deg float64, known bool) Number {
	if !known || deg == 0 {
		return Number{}
	}
	return knownSigma(deg)
}

func figuresOf(f []daemon.Figure) []Figure {
	out := make([]Figure, 0, len(f))
	for _, x := range f {
		out = append(out, Figure{Name: x.Name, Text: x.Text, Value: Known(x.Value)})
	}
	return out
}

func sessionOf(c daemon.CalibrationStatus) CalibrationSession {
	return CalibrationSession{
		Kind: string(c.Kind), Seconds: Known(c.Seconds), Samples: c.Inertial, FieldSamples: c.Magnetic, Full: c.Full, Still: c.Still,
		Poses: c.Poses, Directions: c.Directions, WantDirections: c.WantDirections, NextUp: vectorOf(c.NextUp), TiltSigma: Known(c.TiltSigmaDeg),
		Coverage: Known(c.Coverage), WantCoverage: wanted(c.WantCoverage), Gap: vectorOf(c.Gap), GapDeg: Known(c.GapDeg),
		Turned: Known(c.TurnedDeg), WantTurn: wanted(c.WantTurnDeg), Ready: c.Ready, Message: c.Message,
	}
}

// wanted is null where the kind wants nothing.
func wanted(v float64) Number {
	if v == 0 {
		return Number{}
	}
	return Known(v)
}

func vectorOf(v *r3.Vec) *Vector {
	if v == nil {
		return nil
	}
	return &Vector{Forward: Known(v.X).Value, Left: Known(v.Y).Value, Up: Known(v.Z).Value}
}
