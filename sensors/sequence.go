package sensors

// Write is one register and what it is to hold.
type Write struct{ Reg, Value byte }

// SwitchBits clears bits of a register and sets others, where they are not so
// already, and reads it back.
func (r *Registers) SwitchBits(op string, reg, off, on byte) error {
	was, err := r.Get(op, reg)
	if want := was&^off | on; err == nil && want != was {
		err = r.SetChecked(op, reg, want)
	}
	return err
}

// SetAll writes registers in order and reads each back.
func (r *Registers) SetAll(op string, writes ...Write) error {
	for _, w := range writes {
		if err := r.SetChecked(op, w.Reg, w.Value); err != nil {
			return err
		}
	}
	return nil
}
