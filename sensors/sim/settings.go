package sim

import (
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// ReferenceC is the temperature at which offsets and scales hold, °C: the
// condition under which data sheets state them.
const ReferenceC = 25.0

// Settings describe one part: what a perfect chip of its type would not do.
// The zero value is a perfect chip without noise whose axes are the board's.
type Settings struct {
	// Seed decides all random draws of this part.
	Seed uint64
	// Axes turns a vector from the board's axes into the chip's; nil: the same.
	Axes *r3.Mat

	// Accel is in m/s², Gyro in rad/s, Mag in µT.
	Accel, Gyro, Mag Triad
	// Film is for magnetometers with set/reset coils.
	Film Film

	// RateError is the relative error of the chip's own clock: +0.01 delivers
	// 1 % more samples per second than the registers say.
	RateError float64
	// SelfHeatC is how much the chip warms itself, °C, approached with the
	// time constant SelfHeatTime after the supply comes up.
	SelfHeatC    float64
	SelfHeatTime time.Duration
	// TempOffsetC and TempNoiseC (1 sigma) are the errors of the chip's own
	// temperature sensor.
	TempOffsetC, TempNoiseC float64
}

// Triad describes three sensing axes, in the unit of the quantity (m/s²,
// rad/s, µT) and in chip axes. With M = Matrix and T the chip's temperature a
// reading is
//
//	(M·truth)·(1 + ScalePerC·(T-25)) + Offset + OffsetPerC·(T-25)
//	  + WarmUp·exp(-t/WarmUpTime) + wander + walk + noise.
type Triad struct {
	// Noise is the white noise: of accelerometers and gyroscopes the density
	// per √Hz, to which filter and rate registers apply their bandwidth; of
	// magnetometers 1 sigma of one sample at the quietest setting of the
	// registers, to which the others are scaled by the data sheet's table.
	Noise r3.Vec
	// Offset is the output at zero input.
	Offset r3.Vec
	// Matrix holds scale and cross-axis: identity (nil) is perfect.
	Matrix *r3.Mat
	// OffsetPerC and ScalePerC (relative) are per °C away from ReferenceC.
	OffsetPerC, ScalePerC r3.Vec
	// WarmUp is an offset that decays after the supply comes up.
	WarmUp     r3.Vec
	WarmUpTime time.Duration
	// Wander is 1 sigma of a stationary first-order wander of the offset with
	// correlation time WanderTime: the model of bias instability here. Its
	// Allan deviation peaks at 0.62·Wander, 1.9·WanderTime (IEEE Std 952,
	// annex C, Markov noise).
	Wander     r3.Vec
	WanderTime time.Duration
	// Walk is the random walk of the offset per √s.
	Walk r3.Vec
}

// Film describes a magnetoresistive sensor that is magnetised by set and reset
// pulses. The pulse decides the sign with which the field acts; the offset of
// the bridge does not change sign with it. µT, chip axes.
type Film struct {
	BridgeUT, BridgePerC r3.Vec
	// RepeatUT is 1 sigma of the offset that each pulse leaves anew.
	RepeatUT float64
	// Reversed: the film was left magnetised by a reset pulse.
	Reversed bool
}
