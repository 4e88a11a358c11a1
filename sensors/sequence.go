package sensors

import "time"

// Write is one register and what it is to hold.
type Write struct{ Reg, Value byte }

// SetAll writes registers in order and reads each back.
func (r *Registers) SetAll(op string, writes ...Write) error {
	for _, w := range writes {
		if err := r.SetChecked(op, w.Reg, w.Value); err != nil {
			return err
		}
	}
	return nil
}

// Judge is f.Judge with its verdict as an error: ErrNoNewData for old data, and
// for a chip that is stuck what check finds, or else FaultFrozen.
func (r *Registers) Judge(op string, f *Freshness, at time.Duration, ready, overrun bool, data []byte, check func() error) (Flags, error) {
	flags, verdict := f.Judge(at, ready, overrun, data)
	switch verdict {
	case Stale:
		return 0, ErrNoNewData
	case Stuck:
		return 0, r.Diagnose(op, FaultFrozen, check)
	}
	return flags, nil
}
