package watch

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// sentence says a finding in plain words.
func (w *Watch) sentence(f *Finding) string {
	var s string
	switch f.Kind {
	case Knock:
		s = "The axis moved: " + amount(f.Move)
		if !f.Final {
			s = "The axis moves: so far " + amount(f.Move)
		}
	case Slip:
		s = fmt.Sprintf("Something gives way: the axis slipped %s within %s", amount(f.Move), span(f.SeenAt-f.Start))
	case Creep:
		s = fmt.Sprintf("The axis creeps: %s in %s, and the cold does not explain it", amount(f.Move), span(f.SeenAt-f.Start))
		if f.Final {
			s = fmt.Sprintf("The slow move has ended: %s in all", amount(f.Move))
		}
	case Nudge:
		return fmt.Sprintf("The mount was pushed and came back; the axis stands where it stood, within %s.", deg(2*max(f.Move.UpSigmaDeg, f.Move.EastSigmaDeg)))
	case Roll:
		if w.head.on {
			return fmt.Sprintf("The head was turned by %s; the alignment stays, as far as the altitude tells (%s).", wide(math.Abs(f.Move.RollDeg)), amount(f.Move))
		}
		return fmt.Sprintf("The board rolled by %s about the axis; the axis itself stands where it stood.", wide(math.Abs(f.Move.RollDeg)))
	case HeadStopped:
		return "The head no longer turns with the night sky: look after drive, clutch and battery."
	case Shaking:
		return fmt.Sprintf("The mount shakes by %s on the night sky: too much for %s. Shelter it from the wind, or wait.", arc(f.Shake.ShakeRMSDeg), lens(w.allow.Lens))
	case FieldChange:
		return fmt.Sprintf("The magnetic field changed by %.1f µT and nothing moved: steel, a magnet or a current is near the compass.", f.FieldUT)
	case Gap:
		took := span(f.SeenAt - f.Start)
		if !f.Alarm {
			return fmt.Sprintf("Readings are back after %s; the axis stands where it stood, within %s.", took, deg(2*max(f.Move.UpSigmaDeg, f.Move.EastSigmaDeg)))
		}
		s = fmt.Sprintf("While no readings came, for %s, the axis moved: %s", took, amount(f.Move))
	}
	return s + ". " + consequence(f)
}

// amount is size, doubt and direction.
func amount(m Move) string {
	s := fmt.Sprintf("%s ± %s", deg(m.SizeDeg()), deg(m.SigmaDeg()))
	if d := direction(m); d != "" {
		s += " (" + d + ")"
	}
	return s
}

// direction names the parts that are certain: 2 sigma, and a fifth of the whole.
func direction(m Move) string {
	var parts []string
	certain := func(v, sigma float64) bool {
		return math.Abs(v) > 2*sigma && math.Abs(v) > 0.2*m.SizeDeg()
	}
	if certain(m.UpDeg, m.UpSigmaDeg) {
		parts = append(parts, deg(math.Abs(m.UpDeg))+pick(m.UpDeg > 0, " higher", " lower"))
	}
	if certain(m.EastDeg, m.EastSigmaDeg) {
		parts = append(parts, deg(math.Abs(m.EastDeg))+pick(m.EastDeg > 0, " to the east", " to the west"))
	}
	return strings.Join(parts, ", ")
}

// consequence is the alignment and the exposure after the move.
func consequence(f *Finding) string {
	if !f.Error.Known {
		why := f.Error.Why
		if why == "" {
			why = "it was not known before"
		}
		return "How far it stands from the pole now is not known: " + why + "."
	}
	s := fmt.Sprintf("It stands %s ± %s from the pole now.", deg(f.Error.SizeDeg), deg(f.Error.SigmaDeg))
	e := &f.Exposure
	if !e.Known {
		return s
	}
	want := fmt.Sprintf(" %s at %s", seconds(e.ExposureS), lens(e.Lens))
	longest := "without limit"
	if !math.IsInf(e.LongestS, 1) {
		longest = "about " + seconds(e.LongestS)
		longest += fmt.Sprintf(" (%s to %s)", seconds(e.FromS), orUnlimited(e.ToS))
	}
	switch {
	case e.ExposureS <= e.FromS:
		return s + want + " still holds: longest now " + longest + "."
	case e.ExposureS <= e.ToS:
		return s + want + " may or may not hold, as the error is not known better: longest " + longest + "."
	}
	return s + want + " no longer holds: longest now " + longest + "."
}

func orUnlimited(s float64) string {
	if math.IsInf(s, 1) {
		return "any"
	}
	return seconds(s)
}

func lens(name string) string {
	if name == "" {
		return "this lens"
	}
	return name
}

func pick(yes bool, a, b string) string {
	if yes {
		return a
	}
	return b
}

// deg shows small angles; 0.004° would be hidden by two decimals.
func deg(v float64) string {
	switch {
	case v < 0.0095:
		return fmt.Sprintf("%.3f°", v)
	case v < 9.95:
		return fmt.Sprintf("%.2f°", v)
	}
	return fmt.Sprintf("%.1f°", v)
}

func wide(v float64) string {
	if v < 1 {
		return deg(v)
	}
	return fmt.Sprintf("%.1f°", v)
}

func arc(v float64) string { return fmt.Sprintf("%.0f″", v*3600) }

func seconds(s float64) string {
	switch {
	case s < 9.95:
		return fmt.Sprintf("%.1f s", s)
	case s < 600:
		return fmt.Sprintf("%.0f s", s)
	}
	return fmt.Sprintf("%.0f min", s/60)
}

func span(d time.Duration) string {
	switch {
	case d < 100*time.Second:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 100*time.Minute:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}
