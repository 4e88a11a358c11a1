package api

import (
	"context"
	"math"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"plumbstar/daemon"
	"plumbstar/daemon/watch"
)

// Watcher is the daemon as it is asked for the watch and for events.
// *daemon.Daemon is one.
type Watcher interface {
	Watch() daemon.WatchStatus
	ArmWatch(daemon.Arming) (daemon.WatchStatus, error)
	DisarmWatch() daemon.WatchStatus
	Acknowledge() daemon.WatchStatus
	TryAlarm(daemon.Severity) (daemon.Event, error)
	Events(ctx context.Context, after uint64) <-chan daemon.Event
	RecentEvents(after uint64, limit int) []daemon.Event
}

// Watch is what the watch over the aligned axis knows.
type Watch struct {
	State    string `json:"state" enum:"unarmed,settling,watching,moved,blind" doc:"settling: armed, gathering the pose to compare with; moved: an alarm is not acknowledged; blind: armed, but the inertial sensor is silent"`
	Armed    bool   `json:"armed"`
	ArmedAt  Time   `json:"armed_at" doc:"null when not armed"`
	Offered  bool   `json:"offered" doc:"Not armed, steady, and good enough for the lens"`
	Lens     Text   `json:"lens" doc:"The lens in use, or the one that would be taken; null when the kit has none"`
	Exposure Number `json:"exposure_s"`

	Error      Number `json:"error_deg" doc:"Angle on the night sky between axis and aim, what moved since arming included"`
	ErrorSigma Number `json:"error_sigma_deg"`
	ErrorUp    Number `json:"error_up_deg" doc:"Positive: too high"`
	ErrorUpS   Number `json:"error_up_sigma_deg"`
	ErrorEast  Number `json:"error_east_deg" doc:"Arc on the night sky; positive: too far east"`
	ErrorEastS Number `json:"error_east_sigma_deg"`
	ErrorWhy   Text   `json:"error_why" doc:"Why the error is not known; null when it is"`

	Longest     Number `json:"longest_exposure_s" doc:"The longest exposure that the error allows with the lens; null when not known or without limit"`
	LongestFrom Number `json:"longest_exposure_from_s" doc:"The same for an error larger by 1 sigma"`
	LongestTo   Number `json:"longest_exposure_to_s" doc:"The same for an error smaller by 1 sigma"`
	Unlimited   bool   `json:"longest_exposure_unlimited" doc:"The error never makes a trail of the accepted length"`

	Moved     Shift      `json:"moved" doc:"What moved since arming; null each while there is no pose to compare with"`
	Drift     Drift      `json:"drift" doc:"Changes of the reading that were no move; null each while there is no pose to compare with"`
	Vibration *Vibration `json:"vibration" doc:"Of the newest complete minute; null before the first"`

	OnHead      bool    `json:"on_head" doc:"The board rides on the tracker's head"`
	HeadFollows bool    `json:"head_follows" doc:"The head turns with the night sky"`
	Refused     uint64  `json:"refused" doc:"Samples that could not be used"`
	Findings    []Event `json:"findings" nullable:"false" doc:"Those that nobody has acknowledged, oldest first, at most four"`
}

// Shift is a change of where the axis points, degrees on the night sky.
type Shift struct {
	Size      Number `json:"size_deg"`
	SizeSigma Number `json:"size_sigma_deg"`
	Up        Number `json:"up_deg" doc:"Positive: higher"`
	UpSigma   Number `json:"up_sigma_deg"`
	East      Number `json:"east_deg" doc:"Arc; positive: to the east"`
	EastSigma Number `json:"east_sigma_deg"`
	Roll      Number `json:"roll_deg" doc:"About the axis; it leaves the alignment alone"`
	RollSigma Number `json:"roll_sigma_deg"`
}

// Drift is the apparent change of tilt since the pose was taken.
type Drift struct {
	Up       Number `json:"up_deg"`
	Side     Number `json:"side_deg"`
	TempUp   Number `json:"by_temperature_up_deg" doc:"The part of up_deg that the temperature explains"`
	TempSide Number `json:"by_temperature_side_deg"`
	TempFall Number `json:"temp_fall_c" doc:"How much colder the chip is than then"`
}

// Vibration is the shaking of one minute.
type Vibration struct {
	_     struct{} `nullable:"true"`
	Shake Number   `json:"shake_arcsec" doc:"RMS of where the axis points"`
	Floor Number   `json:"floor_arcsec" doc:"What the sensor's own noise can feign"`
	Tilt  Number   `json:"tilt_arcsec" doc:"RMS of the tilt below 5 Hz, by the accelerometer: an upper bound"`
	Accel Number   `json:"acceleration_m_s2" doc:"RMS, all axes together"`
	Blurs bool     `json:"blurs" doc:"More than the lens in use bears"`
}

// ArmEntry arms the watch.
type ArmEntry struct {
	Lens     string  `json:"lens,omitempty" maxLength:"200" doc:"Name of a lens of the kit; left out: the most demanding one that the alignment allows"`
	Exposure float64 `json:"exposure_s,omitempty" minimum:"0" maximum:"86400" doc:"The exposure being taken; left out: the one wished for with the lens"`
}

// TrialEntry tries an alarm.
type TrialEntry struct {
	Severity string `json:"severity" enum:"info,attention,moved,sensor-lost"`
}

type (
	watchOutput struct{ Body Watch }
	armInput    struct{ Body ArmEntry }
	trialInput  struct{ Body TrialEntry }
	eventOutput struct{ Body Event }
)

const watchPath = "/api/v1/watch"

func (s *Server) registerWatch(api huma.API) {
	shown := func(w daemon.WatchStatus) *watchOutput { return &watchOutput{Body: watchOf(&w)} }
	register(api, s.operation(http.MethodGet, watchPath, "get-watch", "What the watch over the aligned axis knows", ""),
		func(context.Context, *struct{}) (*watchOutput, error) { return shown(s.o.Watch.Watch()), nil })
	register(api, s.writing(http.MethodPost, watchPath+"/arm", "arm-watch", "Say that the axis is aligned, and watch it from now on",
		"Done again, the pose of now is taken anew and what was found is cleared. 409 while the inertial sensor does not answer. The alignment need not be known."),
		func(_ context.Context, in *armInput) (*watchOutput, error) {
			w, err := s.o.Watch.ArmWatch(daemon.Arming{Lens: in.Body.Lens, ExposureS: in.Body.Exposure})
			if err != nil {
				return nil, s.refused("arming the watch", err)
			}
			return shown(w), nil
		})
	register(api, s.writing(http.MethodPost, watchPath+"/disarm", "disarm-watch", "End the watch", "What was found is cleared."),
		func(context.Context, *struct{}) (*watchOutput, error) { return shown(s.o.Watch.DisarmWatch()), nil })
	register(api, s.writing(http.MethodPost, watchPath+"/acknowledge", "acknowledge-watch", "Say that what was found is known",
		"The warnings end; what moved stays part of the alignment error."),
		func(context.Context, *struct{}) (*watchOutput, error) { return shown(s.o.Watch.Acknowledge()), nil })
	register(api, s.writing(http.MethodPost, watchPath+"/try", "try-alarm", "Try whether an alarm reaches you",
		"Publishes an event that is marked as a trial and warns of nothing."),
		func(_ context.Context, in *trialInput) (*eventOutput, error) {
			e, err := s.o.Watch.TryAlarm(daemon.Severity(in.Body.Severity))
			if err != nil {
				return nil, s.refused("trying the alarm", err)
			}
			return &eventOutput{Body: EventFrom(&e)}, nil
		})
}

func watchOf(w *daemon.WatchStatus) Watch {
	out := Watch{
		State: string(w.State), Armed: w.Armed, ArmedAt: Time(w.ArmedAt), Offered: w.Offered, Lens: Text(w.Lens),
		OnHead: w.OnHead, HeadFollows: w.HeadFollows, Refused: w.Refused,
	}
	if w.State != watch.Unarmed && w.State != watch.Settling {
		out.Moved = moveOf(&w.Since)
		out.Drift = Drift{Up: Known(w.DriftUpDeg), Side: Known(w.DriftSideDeg), TempUp: Known(w.ByTempUpDeg), TempSide: Known(w.ByTempSideDeg), TempFall: Known(w.TempFallC)}
	}
	if w.ExposureS > 0 {
		out.Exposure = Known(w.ExposureS)
	}
	if e := &w.Error; e.Known {
		out.Error, out.ErrorSigma = Known(e.SizeDeg), knownSigma(e.SigmaDeg)
		out.ErrorUp, out.ErrorUpS = Known(e.UpDeg), knownSigma(e.UpSigmaDeg)
		out.ErrorEast, out.ErrorEastS = Known(e.EastDeg), knownSigma(e.EastSigmaDeg)
	} else {
		out.ErrorWhy = Text(orElse(e.Why, "it was not known when the watch was armed"))
	}
	if x := &w.Exposure; x.Known {
		out.Longest, out.LongestFrom, out.LongestTo = Known(x.LongestS), Known(x.FromS), Known(x.ToS)
		out.Unlimited = math.IsInf(x.LongestS, 1)
	}
	if m := w.Minute; m != nil {
		out.Vibration = &Vibration{
			Shake: Known(3600 * m.ShakeRMSDeg), Floor: Known(3600 * m.FloorDeg), Tilt: Known(3600 * m.TiltRMSDeg),
			Accel: Known(m.AccelRMS), Blurs: m.Blurs,
		}
	}
	out.Findings = eventsOf(w.Findings)
	return out
}

func moveOf(m *watch.Move) Shift {
	return Shift{
		Size: Known(m.SizeDeg()), SizeSigma: knownSigma(m.SigmaDeg()),
		Up: Known(m.UpDeg), UpSigma: knownSigma(m.UpSigmaDeg),
		East: Known(m.EastDeg), EastSigma: knownSigma(m.EastSigmaDeg),
		Roll: Known(m.RollDeg), RollSigma: knownSigma(m.RollSigmaDeg),
	}
}
