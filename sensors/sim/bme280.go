package sim

import (
	"encoding/binary"
	"math"
	"time"
)

// BME280 and BMP280. Source: [D] Bosch BST-BMP280-DS001, section 3.11 and 3.12
// (registers, the compensation in floating point and its worked example), from
// memory; the humidity of the BME280 is not simulated.
const (
	bmeCalib   = 0x88 // T1 T2 T3 P1 to P9, 16 bits, low byte first
	bmeID      = 0xd0 // 0x58 BMP280, 0x60 BME280
	bmeReset   = 0xe0 // 0xB6 resets
	bmeStatus  = 0xf3 // bit 3 measuring
	bmeControl = 0xf4 // bits 7..5 temperature, 4..2 pressure, 1..0: 1 or 2 measures once
	bmeData    = 0xf7 // pressure, temperature: 20 bits in the upper part of 3 bytes

	bmeBoot    = 2 * time.Millisecond
	bmeMeasure = 6 * time.Millisecond // with single oversampling
)

// Calibration of the worked example.
var (
	bmeT = [3]float64{27504, 26435, -1000}
	bmeP = [9]float64{36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000}
)

type bme280 struct {
	device
	id       byte
	pressure float64 // hPa
	reg      [0x100]byte
	until    time.Duration
}

// NewBME280 makes a BME280 (identity 0x60 at 0x76 or 0x77) at a pressure in hPa.
func NewBME280(w World, s Settings, pressureHPa float64) Chip {
	return newBME("BME280", 0x60, w, s, pressureHPa)
}

// NewBMP280 makes a BMP280 (identity 0x58).
func NewBMP280(w World, s Settings, pressureHPa float64) Chip {
	return newBME("BMP280", 0x58, w, s, pressureHPa)
}

func newBME(name string, id byte, w World, s Settings, pressureHPa float64) Chip {
	c := &bme280{id: id, pressure: pressureHPa}
	c.init(name, bmeBoot, w, s, c)
	return c
}

func (c *bme280) reset(time.Duration) {
	c.reg = [len(c.reg)]byte{bmeID: c.id, bmeData: 0x80, bmeData + 3: 0x80}
	for i, v := range append(bmeT[:3:3], bmeP[:]...) {
		binary.LittleEndian.PutUint16(c.reg[bmeCalib+2*i:], uint16(int32(v)))
	}
	c.until = 0
}

// transfer: what is written are pairs of register and value.
func (c *bme280) transfer(x exchange) bool {
	if len(x.w) > 2 {
		for i := 0; i+1 < len(x.w); i += 2 {
			if !c.device.transfer(exchange{now: x.now, byte: x.byte, how: x.how, w: x.w[i : i+2]}) {
				return false
			}
		}
		x.w = nil
	}
	return c.device.transfer(x)
}

func (c *bme280) advance(t time.Duration) {
	if c.until > 0 && t >= c.until {
		c.until = 0
		c.reg[bmeControl] &^= 3 // asleep again
		if !c.how.frozen {
			c.sample(c.sense(t))
		}
	}
}

func (c *bme280) readReg(reg byte) byte {
	if reg == bmeStatus && (c.until > 0 || c.how.stalled) {
		return 0x08
	}
	return c.reg[reg]
}

func (c *bme280) writeReg(reg, v byte) {
	switch {
	case reg == bmeReset && v == 0xb6:
		c.reset(c.now)
		c.live = c.now + bmeBoot
	case reg == bmeControl:
		c.reg[reg] = v
		if m := v & 3; m == 1 || m == 2 {
			c.until = c.now + bmeMeasure
		}
	case reg == 0xf2, reg == 0xf5:
		c.reg[reg] = v
	}
}

// sample finds the raw values that the compensation turns into temperature and
// pressure.
func (c *bme280) sample(sc scene) {
	adcT := bisect(func(x float64) float64 { t, _ := bmeTemp(x); return t }, c.thermometer(sc))
	_, fine := bmeTemp(adcT)
	adcP := bisect(func(x float64) float64 { return -bmePressure(x, fine) }, -c.pressure)
	for i, v := range [2]float64{adcP, adcT} {
		u := uint32(math.Round(v)) << 4
		copy(c.reg[bmeData+3*i:], []byte{byte(u >> 16), byte(u >> 8), byte(u)})
	}
}

// bisect solves f(x) = y for a rising f and x of 20 bits.
func bisect(f func(float64) float64, y float64) float64 {
	lo, hi := 0.0, float64(1<<20-1)
	for range 40 {
		if mid := (lo + hi) / 2; f(mid) < y {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// bmeTemp is the temperature in °C and the fine one that the pressure needs.
func bmeTemp(adc float64) (tempC, fine float64) {
	a := (adc/16384 - bmeT[0]/1024) * bmeT[1]
	b := adc/131072 - bmeT[0]/8192
	fine = a + b*b*bmeT[2]
	return fine / 5120, fine
}

// bmePressure is the pressure in hPa.
func bmePressure(adc, fine float64) float64 {
	p := &bmeP
	a := fine/2 - 64000
	b := a * a * p[5] / 32768
	b += a * p[4] * 2
	b = b/4 + p[3]*65536
	a = (p[2]*a*a/524288 + p[1]*a) / 524288
	a = (1 + a/32768) * p[0]
	x := (1048576 - adc - b/4096) * 6250 / a
	return (x + (p[8]*x*x/2147483648+x*p[7]/32768+p[6])/16) / 100
}
