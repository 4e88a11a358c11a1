package report

import (
	"math"

	"plumbstar/daemon/watch"
)

// Kinds of events in the log beside those of the watch's findings.
const (
	kindArmed        = "watch-armed"
	kindDisarmed     = "watch-disarmed"
	kindAcknowledged = "acknowledged"
	kindClockStep    = "clock-step"
)

// Numbers of events; a finding's have the names that the daemon gives them.
const (
	keyFinding   = "finding"
	keyError     = "error_deg"
	keyErrorS    = "error_sigma_deg"
	keyUp        = "up_deg"
	keyUpS       = "up_sigma_deg"
	keyEast      = "east_deg"
	keyEastS     = "east_sigma_deg"
	keyExposure  = "exposure_s"
	keyLongest   = "longest_exposure_s"
	keyLongestLo = "longest_exposure_from_s"
	keyLongestHi = "longest_exposure_to_s"
	keyBegan     = "began_before_s"
	keySeverity  = "severity"
	keyStep      = "step_s"
	keyShake     = "shake_arcsec"
	keyField     = "field_change_uT"
)

// important events are listed first when there are too many.
func (e *event) important() bool {
	switch e.Kind {
	case string(watch.Knock), string(watch.Slip), string(watch.Creep), string(watch.Gap), string(watch.HeadStopped),
		kindArmed, kindDisarmed, kindClockStep:
		return true
	}
	return false
}

// marked tells that an event stands in the plots; one that is not important only
// as a tick.
func (e *event) marked() bool {
	switch e.Kind {
	case string(watch.Shaking), string(watch.FieldChange), string(watch.Nudge), string(watch.Roll):
		return true
	}
	return e.important()
}

// plain events are told by the name of their kind: the sentence in the log, which
// is English, adds little.
func (e *event) plain() bool {
	switch e.Kind {
	case "night-began", "night-ended", "watch-offered", "watch-renewed", "alarm-trial", "log-resumed":
		return true
	}
	return e.marked()
}

// severityMoved is the rank of a move that counts.
const severityMoved = 2

// moved tells that the axis moved.
func (e *event) moved() bool {
	_, known := e.number(keyUp)
	switch e.Kind {
	case string(watch.Knock), string(watch.Slip), string(watch.Creep):
		return known
	case string(watch.Gap):
		return known && e.Numbers[keySeverity] == severityMoved
	}
	return false
}

// size is the angle of a move, and its 1 sigma, degrees on the night sky.
func (e *event) size() (deg, sigma float64) {
	up, east := e.Numbers[keyUp], e.Numbers[keyEast]
	su, se := e.Numbers[keyUpS], e.Numbers[keyEastS]
	deg = math.Hypot(up, east)
	if deg == 0 {
		return 0, math.Hypot(su, se) / math.Sqrt2
	}
	return deg, math.Hypot(up*su, east*se) / deg
}
