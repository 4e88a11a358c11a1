package bmm350

import "gonum.org/v1/gonum/spatial/r3"

const otpWords = 32

// Words of the chip's memory (BMM350_SensorAPI, bmm350_defs.h).
const (
	wordTemp    = 0x0D // low byte offset, high byte sensitivity
	wordOffsetX = 0x0E // bits 11..0 X, bits 15..12 the top of Y
	wordOffsetY = 0x0F // low byte the rest of Y, bits 11..8 the top of Z
	wordOffsetZ = 0x10 // low byte the rest of Z; high byte sensitivity of X
	wordSensYZ  = 0x11 // low byte Y, high byte Z
	wordTempX   = 0x12 // low byte offset per °C, high byte sensitivity per °C; then Y, Z
	wordCrossXY = 0x15 // low byte X from Y, high byte Y from X
	wordCrossZ  = 0x16 // low byte Z from X, high byte Z from Y
	wordT0      = 0x18
)

// Units per count of the converter, from the sensitivities and gains in
// BMM350_SensorAPI, update_default_coefficients.
const (
	adcShare = 1 / 1.5
	lutGain  = 0.714607238769531
	million  = 1e6 / (1 << 20)
	utXY     = million / (14.55 * 19.46 * adcShare * lutGain)
	utZ      = million / (9.0 * 31.0 * adcShare * lutGain)
	cPerLSB  = 1 / (0.00204 * adcShare * lutGain * (1 << 20))
	tempBase = 25.49
)

// Corrections of two coefficients that Bosch's driver adds for all parts.
const (
	sensY = 0.01
	tcsZ  = -0.0001
)

// trim are the coefficients of one chip.
type trim struct {
	offset, sens     [3]float64 // µT, relative
	tco, tcs         [3]float64 // µT and relative, per °C from t0
	tOffset, tSens   float64
	t0               float64
	crossXY, crossYX float64
	crossZX, crossZY float64
}

func low(w uint16) float64  { return float64(int8(w)) }
func high(w uint16) float64 { return float64(int8(w >> 8)) }

// signed12 is a 12-bit number with sign.
func signed12(w uint16) float64 { return float64(int16(w<<4) >> 4) }

// parseTrim takes the coefficients from the chip's memory.
func parseTrim(w *[otpWords]uint16) trim {
	t := trim{
		offset: [3]float64{
			signed12(w[wordOffsetX]),
			signed12(w[wordOffsetX]>>12<<8 | w[wordOffsetY]&0xFF),
			signed12(w[wordOffsetY]&0xF00 | w[wordOffsetZ]&0xFF),
		},
		sens: [3]float64{high(w[wordOffsetZ]) / 256, low(w[wordSensYZ])/256 + sensY, high(w[wordSensYZ]) / 256},
		// The offset of the thermometer is in fifths of a degree.
		tOffset: low(w[wordTemp]) / 5,
		tSens:   high(w[wordTemp]) / 512,
		t0:      float64(int16(w[wordT0]))/512 + 23,
		crossXY: low(w[wordCrossXY]) / 800, crossYX: high(w[wordCrossXY]) / 800,
		crossZX: low(w[wordCrossZ]) / 800, crossZY: high(w[wordCrossZ]) / 800,
	}
	for i := range 3 {
		t.tco[i] = low(w[wordTempX+i]) / 32
		t.tcs[i] = high(w[wordTempX+i]) / 16384
	}
	t.tcs[2] += tcsZ
	return t
}

// correct turns the four values of the converter into the field in µT and the
// temperature in °C.
func (t *trim) correct(raw [4]float64) (field r3.Vec, tempC float64) {
	// Bosch's driver adds the base where the counts are negative, which makes the
	// temperature jump at -25.5 °C: it is subtracted everywhere here.
	tempC = raw[3]*cPerLSB - tempBase
	tempC = (1+t.tSens)*tempC + t.tOffset
	v := [3]float64{raw[0] * utXY, raw[1] * utXY, raw[2] * utZ}
	dt := tempC - t.t0
	for i := range v {
		v[i] = (v[i]*(1+t.sens[i]) + t.offset[i] + t.tco[i]*dt) / (1 + t.tcs[i]*dt)
	}
	// Each axis feels a share of the others: x' = x + crossXY·y, and so on.
	det := 1 - t.crossXY*t.crossYX
	x := (v[0] - t.crossXY*v[1]) / det
	y := (v[1] - t.crossYX*v[0]) / det
	return r3.Vec{X: x, Y: y, Z: v[2] - t.crossZX*x - t.crossZY*y}, tempC
}
