package sim

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// advance takes what is due of the three grids in the order of time, and asks
// the world once where they meet.
func (c *lsm6dso) advance(t time.Duration) {
	const never = time.Duration(math.MaxInt64)
	at := [3]time.Duration{never, never, never}
	for i, g := range [3]*grid{&c.accelGrid, &c.gyroGrid, &c.tempGrid} {
		if g.take(t) > 0 && !c.how.stalled {
			at[i] = g.time(g.taken)
		}
	}
	for {
		now := min(at[0], at[1], at[2])
		if now == never {
			return
		}
		sc := c.sense(now)
		if at[0] == now {
			c.sampleAccel(sc)
			at[0] = never
		}
		if at[1] == now {
			c.sampleGyro(sc)
			at[1] = never
		}
		if at[2] == now {
			c.sampleTemp(sc)
			at[2] = never
		}
	}
}

func (c *lsm6dso) sampleAccel(sc scene) {
	c.status |= 1
	if c.how.frozen {
		return
	}
	n := c.accelGrid.taken
	v := c.accel.read(sc, sc.Force, &c.accelGrid, n)
	if sign := [4]float64{0, 1, -1, 0}[c.reg[lsmCtrl5C]&3]; sign != 0 {
		v = r3.Add(v, r3.Scale(sign*settled(sc.at, c.tested[0], lsmTestSettle), c.accelTest))
	}
	if n == c.raw {
		// The first sample after power-on or a change of rate, range or filter
		// is one to drop [V: the self-test example does]; how wrong it is, is
		// invented.
		v = r3.Scale(0.8, v)
	}
	lsb := lsmAccelMg[c.accelRange()] * 1e-3 * sensors.StandardGravity
	c.put(8, v, lsb)
}

func (c *lsm6dso) sampleGyro(sc scene) {
	if sc.at < c.gyroFrom {
		return
	}
	c.status |= 2
	if c.how.frozen {
		return
	}
	lsb := c.gyroLSB()
	v := c.gyro.read(sc, sc.Rate, &c.gyroGrid, c.gyroGrid.taken)
	if sign := [4]float64{0, 1, 0, -1}[c.reg[lsmCtrl5C]>>2&3]; sign != 0 {
		full := lsb * 28571 // ±2000 °/s at 70 mdps per LSB
		v = r3.Add(v, r3.Scale(sign*full*settled(sc.at, c.tested[1], lsmTestSettle), c.gyroTest))
	}
	c.put(2, v, lsb)
}

// sampleTemp: 256 LSB per °C, zero at 25 °C [V].
func (c *lsm6dso) sampleTemp(sc scene) {
	c.status |= 4
	if c.how.frozen {
		return
	}
	c.out.put(0, counts(c.thermometer(sc)-25, 1.0/256, -32768, 32767))
}

func (c *lsm6dso) put(at int, v r3.Vec, lsb float64) {
	for i, n := range counts3(v, lsb, -32768, 32767) {
		if c.how.saturated {
			n = 32767
		}
		c.out.put(at+2*i, n)
	}
}
