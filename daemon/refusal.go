package daemon

// Refusal is the answer to something that cannot be done now, or not with these
// values: what is the matter and what to do, for the person who asked.
type Refusal struct {
	// Code is stable: "session-running", "clock", "site", "below-horizon", …
	Code string
	Text string
	// Conflict is true when the state of the board speaks against it, and the
	// same words may be accepted later; false when the values are at fault.
	Conflict bool
}

func (r *Refusal) Error() string { return r.Text }

func refuse(code, text string) error   { return &Refusal{Code: code, Text: text} }
func conflict(code, text string) error { return &Refusal{Code: code, Text: text, Conflict: true} }
