package calib

// Refusal is the error of a fit that its data do not support. It is no fault
// of a sensor: other or more movement cures it.
type Refusal struct {
	What   string // "accelerometer calibration"
	Reason string // what is missing, with figures
	Advice string // what to do about it
}

// Error is one line.
func (r *Refusal) Error() string {
	s := r.What + " refused: " + r.Reason
	if r.Advice != "" {
		s += ": " + r.Advice
	}
	return s
}
