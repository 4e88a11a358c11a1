package watch

import "math"

// Kinds of events of the night log that are about the watch and are no findings.
const (
	// EventArmed is the beginning of a watch, EventDisarmed its end; the numbers of
	// EventArmed are those of Reference.Numbers, its text names the lens.
	EventArmed    = "armed"
	EventDisarmed = "disarmed"
	// EventAcknowledged ends an alarm.
	EventAcknowledged = "acknowledged"
)

// Numbers are f for an event of the night log whose kind is Kind; keys end in the
// unit. finding is the ID: of events with the same one, the newest counts. Flags
// are 1 or 0. What is not known or without limit is left out.
func (f *Finding) Numbers() map[string]float64 {
	n := numbers{"finding": float64(f.ID), "update": float64(f.Update)}
	n.flag("final", f.Final)
	n.flag("alarm", f.Alarm)
	n["lasted_s"] = (f.SeenAt - f.Start).Seconds()
	switch f.Kind {
	case Shaking:
		n["shake_arcsec"] = 3600 * f.Shake.ShakeRMSDeg
		return n.finite()
	case FieldChange:
		n["field_uT"] = f.FieldUT
		return n.finite()
	case HeadStopped:
		return n.finite()
	}
	n["up_deg"], n["up_sigma_deg"] = f.Move.UpDeg, f.Move.UpSigmaDeg
	n["east_deg"], n["east_sigma_deg"] = f.Move.EastDeg, f.Move.EastSigmaDeg
	n["roll_deg"], n["roll_sigma_deg"] = f.Move.RollDeg, f.Move.RollSigmaDeg
	n["by_temperature_deg"] = f.ByTempDeg
	n.flag("vertical_unseen", f.VerticalUnseen)
	if f.Error.Known {
		n["error_deg"], n["error_sigma_deg"] = f.Error.SizeDeg, f.Error.SigmaDeg
	}
	if e := &f.Exposure; e.Known {
		n["exposure_s"], n["longest_s"], n["longest_from_s"], n["longest_to_s"] = e.ExposureS, e.LongestS, e.FromS, e.ToS
	}
	return n.finite()
}

// Numbers are r and a for EventArmed: the alignment error, signed as Reference,
// and the exposure.
func (r Reference) Numbers(a Allowance) map[string]float64 {
	n := numbers{}
	if r.Known {
		n["up_deg"], n["up_sigma_deg"] = r.UpDeg, r.UpSigmaDeg
		n["east_deg"], n["east_sigma_deg"] = r.EastDeg, r.EastSigmaDeg
		n["error_deg"], n["error_sigma_deg"] = math.Hypot(r.UpDeg, r.EastDeg), math.Hypot(r.UpSigmaDeg, r.EastSigmaDeg)
	}
	if a.LongestS != nil {
		n["exposure_s"] = a.ExposureS
		if r.Known {
			n["longest_s"] = a.LongestS(n["error_deg"])
		}
	}
	return n.finite()
}

type numbers map[string]float64

func (n numbers) flag(name string, on bool) {
	n[name] = 0
	if on {
		n[name] = 1
	}
}

func (n numbers) finite() map[string]float64 {
	for k, v := range n {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			delete(n, k)
		}
	}
	return n
}
