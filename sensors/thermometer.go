package sensors

import "time"

// slowly is how often a temperature is read that is not part of a sample.
const slowly = time.Second

// Thermometer is a chip temperature in two registers apart from the samples,
// read once a second.
type Thermometer struct {
	// Reg is the first of the two registers, Convert makes °C of their bytes. A
	// chip without the registers has no Convert, and TempC stays as it is.
	Reg     byte
	Convert func(b []byte) float64
	// Singly: the chip does not go on from the first register to the second. Its
	// bytes may then belong to two measurements.
	Singly bool
	// TempC is the newest value, NaN before the first if the driver says so.
	TempC float64

	read bool
	at   time.Duration
	b    [2]byte
}

// Update reads the temperature when it is time to.
func (t *Thermometer) Update(p *Poller) error {
	const op = "read temperature"
	if err := p.InUse(op); err != nil {
		return err
	}
	now := p.Clock.Now()
	if t.Convert == nil || t.read && now-t.at < slowly {
		return nil
	}
	n := len(t.b)
	if t.Singly {
		n = 1
	}
	for i := 0; i < len(t.b); i += n {
		b, err := p.Read(op, t.Reg+byte(i), n)
		if err != nil {
			return err
		}
		copy(t.b[i:], b)
	}
	t.TempC, t.at, t.read = t.Convert(t.b[:]), now, true
	return nil
}
