package sim

import (
	"encoding/binary"
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

const degree = math.Pi / 180 // rad

// mpu is an MPU-6050, MPU-6500 or MPU-9250.
type mpu struct {
	device
	kind        *mpuKind
	reg         [mpuLastRegister + 1]byte
	accel, gyro triad
	grid        grid
	out         [14]byte
	ready       bool
	// Each axis is worth nothing until its sensor has started.
	accelFrom, gyroFrom time.Duration
	// When the self-test bits were last changed, and the response in m/s², rad/s.
	accelTested, gyroTested time.Duration
	accelTest, gyroTest     r3.Vec
	trim                    mpuTrim
	aux                     *akMag
}

// NewMPU6050 makes an MPU-6050 (identity 0x68 at 0x68 or 0x69). As long as a
// sensor starts after waking (data sheet: 20 ms, the gyroscope 60 ms), samples
// come but its words stay what they were: zero after a reset.
func NewMPU6050(w World, s Settings) Chip { return newMPU(&mpu6050Kind, w, s) }

// NewMPU6500 makes an MPU-6500 (identity 0x70 at 0x68 or 0x69).
func NewMPU6500(w World, s Settings) Chip { return newMPU(&mpu6500Kind, w, s) }

// NewMPU9250 makes an MPU-9250 (identity 0x71 at 0x68 or 0x69) with its AK8963
// magnetometer, which appears at 0x0C while bypass is on and the auxiliary
// master off. Settings.Axes are those of the accelerometer; the magnetometer
// sits in the package with x and y exchanged and z reversed.
func NewMPU9250(w World, s Settings) Chip {
	m := newMPU(&mpu9250Kind, w, s)
	m.aux = newAK8963(w, s)
	return m
}

func newMPU(k *mpuKind, w World, s Settings) *mpu {
	m := &mpu{kind: k}
	m.init(k.name, mpuBoot, w, s, m)
	m.accel = newTriad(s.Accel, s.Seed, channelAccel, m.dice)
	m.gyro = newTriad(s.Gyro, s.Seed, channelGyro, m.dice)
	m.drawTrim()
	return m
}

func (m *mpu) powerUp(at time.Duration) {
	m.device.powerUp(at)
	if m.aux != nil {
		m.aux.powerUp(at)
	}
}

func (m *mpu) behind(addr uint16) Chip {
	if m.aux == nil || addr != akAddress ||
		m.reg[mpuIntPinCfg]&mpuBypass == 0 || m.reg[mpuUserCtrl]&mpuMasterOn != 0 {
		return nil
	}
	return m.aux
}

func (m *mpu) reset(t time.Duration) {
	m.reg = [len(m.reg)]byte{mpuPwrMgmt1: m.kind.pwrReset, mpuWhoAmI: m.kind.whoAmI}
	m.trim.store(&m.reg, m.kind.classic)
	m.out, m.ready = [14]byte{}, false
	m.accel.wander.begin(t)
	m.gyro.wander.begin(t)
	m.accelFrom, m.gyroFrom = t+m.kind.accelStart, t+m.kind.gyroStart
	m.configure(t)
}

func (m *mpu) busy(reg byte) byte {
	if reg == mpuPwrMgmt1 {
		return mpuReset | m.kind.pwrReset
	}
	return 0
}

func (m *mpu) point(first byte) byte { return first & mpuLastRegister }

func (m *mpu) next(reg byte) byte {
	if reg == mpuFifoRW {
		return reg
	}
	return (reg + 1) & mpuLastRegister
}

func (m *mpu) readReg(reg byte) byte {
	v := m.reg[reg]
	switch {
	case reg == mpuIntStatus:
		v = 0
		if m.ready {
			v = 1
		}
		m.ready = false
	case reg >= mpuAccelOut && reg < mpuOutEnd:
		v = m.out[reg-mpuAccelOut]
	}
	if m.reg[mpuIntPinCfg]&mpuAnyReadClears != 0 {
		m.ready = false
	}
	return v
}

func (m *mpu) writeReg(reg, v byte) {
	old := m.reg[reg]
	switch {
	case reg == mpuPwrMgmt1 && v&mpuReset != 0:
		m.reset(m.now)
		m.live = m.now + mpuResetTime
		return
	case reg == mpuIntStatus, reg == mpuWhoAmI, reg >= mpuAccelOut && reg < mpuOutEnd,
		reg < mpuSelfTestGyro+3, reg >= mpuSelfTest && reg <= mpuSelfTest+3:
		return // read-only
	case reg == mpuAccelConfig && (v^old)>>5 != 0:
		m.accelTested = m.now
	case reg == mpuGyroConfig && (v^old)>>5 != 0:
		m.gyroTested = m.now
	}
	accelOn, gyroOn := m.accelOn(), m.gyroOn()
	m.reg[reg] = v
	if m.accelOn() && !accelOn {
		m.accelFrom = m.now + m.kind.accelStart
	}
	if m.gyroOn() && !gyroOn {
		m.gyroFrom = m.now + m.kind.gyroStart
	}
	switch reg {
	case mpuSmplrtDiv, mpuConfig, mpuGyroConfig, mpuAccelConfig2, mpuPwrMgmt1:
		if v != old {
			m.configure(m.now)
		}
	}
}

// awake: the clock runs.
func (m *mpu) awake() bool {
	p := m.reg[mpuPwrMgmt1]
	return p&mpuSleep == 0 && p&mpuClockStopped != mpuClockStopped
}

func (m *mpu) accelOn() bool { return m.awake() && m.reg[mpuPwrMgmt2]&0x38 != 0x38 }

func (m *mpu) gyroOn() bool {
	if !m.kind.classic && m.reg[mpuPwrMgmt1]&mpuGyroStandby != 0 {
		return false
	}
	return m.awake() && m.reg[mpuPwrMgmt2]&0x07 != 0x07
}

// configure applies rate, filter and power registers from t on.
func (m *mpu) configure(t time.Duration) {
	if !m.awake() {
		m.grid.run(t, 0)
		return
	}
	code := m.reg[mpuConfig] & 7
	accel, gyro := mpu6050AccelFilter[code], mpu6050GyroFilter[code]
	divided := true
	if !m.kind.classic {
		accel, gyro = mpu6500AccelFilter[m.reg[mpuAccelConfig2]&7], mpu6500GyroFilter[code]
		if m.reg[mpuAccelConfig2]&8 != 0 {
			accel = mpuAccelUnfiltered
		}
		if m.reg[mpuGyroConfig]&3 != 0 {
			gyro = mpuGyroUnfiltered
		}
		divided = gyro.rate == 1000 // the divider acts on the filtered rate only [M]
	}
	out := gyro.rate
	if divided {
		out /= 1 + float64(m.reg[mpuSmplrtDiv])
	}
	m.accel.filter(accel.bw, accel.rate, out)
	m.gyro.filter(gyro.bw, gyro.rate, out)
	m.grid.run(t, m.rate(out))
}

func (m *mpu) advance(t time.Duration) {
	if m.grid.take(t) == 0 || m.how.stalled {
		return
	}
	m.ready = true
	if m.how.frozen {
		return
	}
	n := m.grid.taken
	at := m.grid.time(n)
	sc := m.sense(at)
	standby := m.reg[mpuPwrMgmt2]
	if m.accelOn() && at >= m.accelFrom {
		v := r3.Add(m.accel.read(sc, sc.Force, &m.grid, n),
			m.response(m.reg[mpuAccelConfig], m.accelTest, at, m.accelTested))
		lsb := sensors.StandardGravity / mpuAccelLSB[m.reg[mpuAccelConfig]>>3&3]
		m.put(0, counts3(v, lsb, -32768, 32767), standby>>3)
	}
	if m.gyroOn() && at >= m.gyroFrom {
		v := r3.Add(m.gyro.read(sc, sc.Rate, &m.grid, n),
			m.response(m.reg[mpuGyroConfig], m.gyroTest, at, m.gyroTested))
		lsb := degree / mpuGyroLSB[m.reg[mpuGyroConfig]>>3&3]
		m.put(8, counts3(v, lsb, -32768, 32767), standby)
	}
	if m.reg[mpuPwrMgmt1]&mpuTempOff == 0 {
		raw := counts(m.thermometer(sc)-m.kind.tempZero, 1/m.kind.tempLSB, -32768, 32767)
		binary.BigEndian.PutUint16(m.out[6:], uint16(raw))
	}
}

// put stores three words; an axis in standby (bit 2 is x) keeps what it has.
func (m *mpu) put(at int, c [3]int32, standby byte) {
	for i, v := range c {
		if standby>>(2-i)&1 != 0 {
			continue
		}
		if m.how.saturated {
			v = 32767
		}
		binary.BigEndian.PutUint16(m.out[at+2*i:], uint16(v))
	}
}

// response is what the self-test bits (7..5: x, y, z) add at t.
func (m *mpu) response(reg byte, full r3.Vec, t, since time.Duration) r3.Vec {
	if reg>>5 == 0 {
		return r3.Vec{}
	}
	on := r3.Vec{X: float64(reg >> 7 & 1), Y: float64(reg >> 6 & 1), Z: float64(reg >> 5 & 1)}
	return r3.Scale(settled(t, since, mpuTestSettle), product(on, full))
}
