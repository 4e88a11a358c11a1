package sim

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// mpuTrim holds the factory trim codes of the self-test, x, y, z.
type mpuTrim struct{ accel, gyro [3]byte }

// drawTrim invents trim codes for this part, and responses that differ from
// what the codes stand for by no more than a good part may: 14 % (data sheet
// PS-MPU-6000A-00 rev. 3.4), drawn here with 4 % sigma up to 12 %.
func (m *mpu) drawTrim() {
	r := m.dice.at(m.set.Seed, channelTrim, 0)
	var accel, gyro [3]float64
	for i := range 3 {
		if m.kind.classic {
			m.trim.accel[i], m.trim.gyro[i] = byte(10+r.IntN(16)), byte(10+r.IntN(16))
			accel[i] = trim6050Accel(m.trim.accel[i])
			gyro[i] = trim6050Gyro(m.trim.gyro[i])
		} else {
			m.trim.accel[i], m.trim.gyro[i] = byte(80+r.IntN(80)), byte(80+r.IntN(80))
			accel[i] = trim6500(m.trim.accel[i]) / mpuAccelLSB[0]
			gyro[i] = trim6500(m.trim.gyro[i]) / mpuGyroLSB[0]
		}
		accel[i] *= 1 + max(-0.12, min(0.12, 0.04*r.NormFloat64()))
		gyro[i] *= 1 + max(-0.12, min(0.12, 0.04*r.NormFloat64()))
	}
	if m.kind.classic {
		gyro[1] = -gyro[1] // y responds the other way [M]
	}
	m.accelTest = r3.Scale(sensors.StandardGravity, r3.Vec{X: accel[0], Y: accel[1], Z: accel[2]})
	m.gyroTest = r3.Scale(degree, r3.Vec{X: gyro[0], Y: gyro[1], Z: gyro[2]})
}

// trim6050Accel is the trimmed response in g: 0.34·(0.92/0.34)^((code-1)/30)
// [M, RM-MPU-6000A-00 section 4.1; its page 11 was seen without the formulas].
func trim6050Accel(code byte) float64 {
	return 0.34 * math.Pow(0.92/0.34, float64(code-1)/30)
}

// trim6050Gyro is the trimmed response in °/s: 25·1.046^(code-1) [M, same place].
func trim6050Gyro(code byte) float64 { return 25 * math.Pow(1.046, float64(code-1)) }

// trim6500 is the trimmed response in LSB of the smallest range:
// 2620·1.01^(code-1) (Linux 6.12 and board makers' drivers).
func trim6500(code byte) float64 { return 2620 * math.Pow(1.01, float64(code-1)) }

// store writes the codes where the chip keeps them.
func (t *mpuTrim) store(reg *[mpuLastRegister + 1]byte, classic bool) {
	for i := range 3 {
		if !classic {
			reg[mpuSelfTestGyro+i], reg[mpuSelfTest+i] = t.gyro[i], t.accel[i]
			continue
		}
		// Upper three bits of the accelerometer code beside the gyroscope's
		// five; the lower two share register 0x10 [RM6050 page 9].
		reg[mpuSelfTest+i] = t.accel[i]>>2<<5 | t.gyro[i]
		reg[mpuSelfTest+3] |= t.accel[i] & 3 << (4 - 2*i)
	}
}
