package stability

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/spatial/r3"
)

// Night is one night of a board at rest, for Learn. Readings are in the chip's
// axes and uncorrected, so that a calibration made between two nights changes
// nothing; the slices are as long as those of Rest.
type Night struct {
	ID    int64
	Rest  Rest
	Accel [3][]float64 // m/s²
	Gyro  [3][]float64 // rad/s; nil without a gyroscope
}

// Learned is how the offsets of a chip follow its temperature.
type Learned struct {
	// Accel is per axis, m/s² per °C, in the pose of Up: what the scale changes
	// with temperature is part of it. Gyro is in rad/s per °C; Nights is 0 without
	// one.
	Accel, Gyro [3]Pooled
	// Up is the direction up in the chip's axes, mean of the nights.
	Up r3.Vec
	// MinC and MaxC is the range of temperature that was seen.
	MinC, MaxC float64
	Nights     []NightShown
	// Skipped says which nights were not used, and why.
	Skipped []string
	// HeldBack is the newest night, foretold from the others: the rms change of
	// tilt during it without and with the correction, degrees.
	HeldBack            int64
	BeforeDeg, AfterDeg float64
}

// NightShown is what one night contributed.
type NightShown struct {
	ID         int64
	MinC, MaxC float64
	Hours      float64 // at rest
	Accel      [3]Estimate
}

// Proven tells that the held-back night became better by a good part, so that the
// coefficients may be used unasked.
func (l *Learned) Proven() bool { return l.AfterDeg < provenShare*l.BeforeDeg }

// Limits of a night that can teach something.
const (
	// LeastNights is how many are needed: three to compare, and one held back.
	LeastNights  = 4
	leastSpanC   = 4.0
	leastHours   = 2.0
	samePoseDeg  = 15.0
	turnsDeg     = 1.0
	provenShare  = 0.8
	worthASigma  = 0.9
	standardG    = 9.80665
	mostSkipped  = 20
	toDegPerMS2  = 180 / math.Pi / standardG
	skippedLimit = "and more"
)

// Learn finds temperature coefficients from nights, oldest first. driftPerC is the
// data sheet's 1 sigma of the accelerometer's offset, m/s² per °C. It refuses when
// the nights do not teach it: too few, too little change of temperature, a
// held-back night that would become worse, or a doubt as large as the data sheet's.
func Learn(nights []Night, driftPerC float64) (*Learned, error) {
	l := &Learned{MinC: math.Inf(1), MaxC: math.Inf(-1)}
	var used []*shown
	narrow := 0
	for i := len(nights) - 1; i >= 0; i-- { // the newest decides on the pose
		x, why := show(&nights[i])
		if why == "" && len(used) > 0 && angle(x.up, used[0].up) > samePoseDeg*math.Pi/180 {
			why = "the board sat in another pose"
		}
		if why != "" {
			if x.narrow {
				narrow++
			}
			l.skip(nights[i].ID, why)
			continue
		}
		used = append(used, x)
	}
	if len(used) < LeastNights {
		s := fmt.Sprintf("%d nights can be compared, %d are needed", len(used), LeastNights)
		if narrow > 0 {
			s += fmt.Sprintf("; in %d the temperature changed by less than %.0f °C", narrow, leastSpanC)
		}
		if len(l.Skipped) > 0 {
			s += " (" + strings.Join(l.Skipped, "; ") + ")"
		}
		return nil, fmt.Errorf("%s: keep watch on more nights that cool down", s)
	}
	for _, x := range used {
		l.Up = r3.Add(l.Up, x.up)
		l.MinC, l.MaxC = min(l.MinC, x.MinC), max(l.MaxC, x.MaxC)
		l.Nights = append(l.Nights, x.NightShown)
	}
	l.Up = r3.Unit(l.Up)
	others := poolAxes(used[1:], accelOf)
	l.HeldBack = used[0].ID
	l.BeforeDeg, l.AfterDeg = used[0].night.wander(l.Up, r3.Vec{}), used[0].night.wander(l.Up, values(others))
	if !(l.AfterDeg <= l.BeforeDeg) {
		return nil, fmt.Errorf("night %d, held back, would become worse: its tilt would wander by %.4f° instead of %.4f°; the nights do not agree, keep watch on more", l.HeldBack, l.AfterDeg, l.BeforeDeg)
	}
	l.Accel = poolAxes(used, accelOf)
	worst := 0.0
	for k, p := range l.Accel {
		// Along gravity an offset tilts nothing.
		if u := [3]float64{l.Up.X, l.Up.Y, l.Up.Z}[k]; math.Abs(u) < 0.95 {
			worst = max(worst, p.NextSigma)
		}
	}
	if worst > worthASigma*driftPerC {
		return nil, fmt.Errorf("the nights scatter by %.4f° per °C, the data sheet allows %.4f°: nothing is gained yet, keep watch on more nights", worst*toDegPerMS2, driftPerC*toDegPerMS2)
	}
	l.Gyro = poolAxes(used, gyroOf)
	return l, nil
}

func (l *Learned) skip(id int64, why string) {
	switch n := len(l.Skipped); {
	case n < mostSkipped:
		l.Skipped = append(l.Skipped, fmt.Sprintf("night %d: %s", id, why))
	case n == mostSkipped:
		l.Skipped = append(l.Skipped, skippedLimit)
	}
}

// shown is a night with its fits.
type shown struct {
	_ [0]func() // never compared: no code for that
	NightShown
	night  *Night
	up     r3.Vec
	accel  slopes
	gyro   slopes
	narrow bool
}

// slopes are a night's coefficients by axis and model of hysteresis.
type slopes [3][hysteresisModels]Estimate

func accelOf(x *shown) *slopes { return &x.accel }
func gyroOf(x *shown) *slopes  { return &x.gyro }

// show fits one night; why says that it cannot be used.
func show(n *Night) (x *shown, why string) {
	x = &shown{NightShown: NightShown{ID: n.ID, MinC: math.Inf(1), MaxC: math.Inf(-1)}, night: n}
	var sum r3.Vec
	count := 0
	for i, t := range n.Rest.TempC {
		if a := n.accel(i); t == t && a == a {
			sum = r3.Add(sum, a)
			x.MinC, x.MaxC = min(x.MinC, t), max(x.MaxC, t)
			count++
		}
	}
	switch {
	case count < leastMinutes:
		return x, "too little of it was at rest"
	case x.MaxC-x.MinC < leastSpanC:
		x.narrow = true
		return x, fmt.Sprintf("the temperature changed by %.1f °C only", x.MaxC-x.MinC)
	case n.Turned():
		return x, "the board turned during it"
	}
	x.up = r3.Unit(sum)
	x.Hours = n.Rest.hours()
	if x.Hours < leastHours {
		return x, fmt.Sprintf("it was at rest for %.1f h only", x.Hours)
	}
	for k := range 3 {
		var t Trend
		t, x.accel[k] = n.Rest.follow(n.Accel[k])
		if x.Accel[k] = t.PerC; !x.Accel[k].Known {
			return x, x.Accel[k].Why
		}
		if n.Gyro[k] != nil {
			_, x.gyro[k] = n.Rest.follow(n.Gyro[k])
		}
	}
	return x, ""
}

func (n *Night) accel(i int) r3.Vec {
	return r3.Vec{X: n.Accel[0][i], Y: n.Accel[1][i], Z: n.Accel[2][i]}
}

// Turned tells that the board turned within a stretch by more than temperature can
// feign, as one on a tracker's head does: then it was not at rest.
func (n *Night) Turned() bool {
	first, last := true, 0
	spread, coldest, warmest := 0.0, math.Inf(1), math.Inf(-1)
	var low, high r3.Vec
	for i, t := range n.Rest.TempC {
		a := n.accel(i)
		if t != t || a != a {
			continue
		}
		if first || n.Rest.Stretch[i] != last {
			low, high, last, first = a, a, n.Rest.Stretch[i], false
		}
		low = r3.Vec{X: min(low.X, a.X), Y: min(low.Y, a.Y), Z: min(low.Z, a.Z)}
		high = r3.Vec{X: max(high.X, a.X), Y: max(high.Y, a.Y), Z: max(high.Z, a.Z)}
		spread = max(spread, r3.Norm(r3.Sub(high, low)))
		coldest, warmest = min(coldest, t), max(warmest, t)
	}
	return spread*toDegPerMS2 > turnsDeg+driftRoomDeg*max(warmest-coldest, 0)
}

// Hours is the time at rest.
func (n *Night) Hours() float64 { return n.Rest.hours() }

// driftRoomDeg is how much tilt a chip may feign per °C without counting as turned:
// twice the worst chip in use (MPU-6050, 0.5 mg/°C).
const driftRoomDeg = 0.06

// hours is the time at rest: the sum over the stretches.
func (r *Rest) hours() float64 {
	sum := 0.0
	for i := 1; i < len(r.TS); i++ {
		if r.Stretch[i] == r.Stretch[i-1] {
			sum += min(r.TS[i]-r.TS[i-1], 600)
		}
	}
	return sum / 3600
}

// poolAxes joins the nights, for each model of hysteresis by itself: nights differ
// by chance, but a wrong model errs in all of them alike.
func poolAxes(nights []*shown, of func(*shown) *slopes) (out [3]Pooled) {
	for k := range 3 {
		var pooled []Pooled
		for s := range hysteresisModels {
			var list []Estimate
			for _, x := range nights {
				if e := of(x)[k][s]; e.Known {
					list = append(list, e)
				}
			}
			if p, ok := pool(list); ok {
				pooled = append(pooled, p)
			}
		}
		if len(pooled) == hysteresisModels {
			out[k] = joined(pooled)
		}
	}
	return out
}

// joined is the mean of the models; what they differ by is a doubt of its own. Over
// simulated chips, 4 to 20 nights and falls of 8 to 13 °C, 1.96 sigma held the truth
// in 93.6 to 97.2 % of cases (accelerometer), 96.3 to 98.4 % (gyroscope).
func joined(models []Pooled) Pooled {
	n := float64(len(models))
	out := Pooled{Nights: models[0].Nights}
	var own, next, between float64
	for _, p := range models {
		out.Value += p.Value / n
		own += p.Sigma * p.Sigma / n
		next += p.NextSigma * p.NextSigma / n
	}
	for _, p := range models {
		between += (p.Value - out.Value) * (p.Value - out.Value) / n
	}
	out.Sigma, out.NextSigma = math.Sqrt(own+between), math.Sqrt(next+between)
	return out
}

func values(p [3]Pooled) r3.Vec { return r3.Vec{X: p[0].Value, Y: p[1].Value, Z: p[2].Value} }

// wander is the rms change of tilt in a night about the mean of each stretch,
// degrees, once perC times the temperature was taken off: of the specific force
// the part across up.
func (n *Night) wander(up r3.Vec, perC r3.Vec) float64 {
	var across [3][]float64
	for k := range across {
		across[k] = make([]float64, 0, len(n.Rest.TS))
	}
	var stretch []int
	for i, t := range n.Rest.TempC {
		a := n.accel(i)
		if t != t || a != a {
			continue
		}
		a = r3.Sub(a, r3.Scale(t, perC))
		a = r3.Sub(a, r3.Scale(r3.Dot(a, up), up))
		across[0], across[1], across[2] = append(across[0], a.X), append(across[1], a.Y), append(across[2], a.Z)
		stretch = append(stretch, n.Rest.Stretch[i])
	}
	sum := 0.0
	for i := 0; i < len(stretch); {
		j := i
		for j < len(stretch) && stretch[j] == stretch[i] {
			j++
		}
		for k := range across {
			m := floats.Sum(across[k][i:j]) / float64(j-i)
			for _, v := range across[k][i:j] {
				sum += (v - m) * (v - m)
			}
		}
		i = j
	}
	return math.Sqrt(sum/float64(max(len(stretch), 1))) * toDegPerMS2
}
