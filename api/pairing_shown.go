package api

// clearCode hands a code from `pair` to the daemon that shows it. It opens no more
// than the hash does, which whoever can read it also guesses within minutes, and is
// gone as soon as the daemon has read it.
type clearCode struct {
	ID   string `json:"id"` // that of the codeInfo
	Code string `json:"code"`
}

// Shown is the code that the daemon's display is to show: one that was issued with
// CodeOptions.Show, while it can still be used; else "". A restart forgets it.
func (d *PairingDir) Shown() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	list, err := readAll[clearCode](d.dir, clearPrefix)
	if err != nil {
		return ""
	}
	for _, c := range list {
		// An id is ours only when its file's name agrees: others are left alone.
		if err := d.remove(clearPrefix + c.ID); err == nil && len(c.Code) == codeDigits && digitsOnly(c.Code) {
			d.shown = c
		}
	}
	if d.shown.ID == "" {
		return ""
	}
	if c, err := d.waiting(); err != nil || c.ID != d.shown.ID {
		d.shown = clearCode{}
	}
	return d.shown.Code
}

func digitsOnly(s string) bool {
	for _, r := range s {
		if r < '0' || r > '9' {
			return false
		}
	}
	return true
}
