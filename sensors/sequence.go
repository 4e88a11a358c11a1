package sensors

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
