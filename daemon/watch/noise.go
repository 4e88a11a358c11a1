package watch

import (
	"math"

	"plumbstar/sensors"
)

// noise is what the data sheet says of one block, 1 sigma, degrees.
type noise struct {
	tilt float64 // of a tilt
	turn float64 // of the angle turned within the block
	gyro bool
}

// noiseOf follows from one-sided white densities n: the mean over a time T has
// the variance n²/2T, the integral n²T/2.
func noiseOf(o *Options) noise {
	t := BlockLength.Seconds()
	return noise{
		tilt: o.Inertial.AccelNoise / math.Sqrt(2*t) / sensors.StandardGravity / degree,
		turn: o.Inertial.GyroNoise * math.Sqrt(t/2) / degree,
		gyro: o.Inertial.HasGyro,
	}
}

// scatter follows the variance of a quantity whose mean is zero while nothing
// happens. detect rises six times as fast as it falls, so that a beginning gust
// raises the limits in time; fair is an even average.
type scatter struct {
	detect, fair, floor float64
	n                   float64
}

const (
	detectUp = 1.0 / 100 // blocks
	fairGain = 1.0 / 600
	// riseBias is where detect settles, in units of the variance, for a normal
	// variable: E[(min(x²,16v)-v)+]·6 = E[(v-x²)+], solved by simulation.
	riseBias = 2.164
	// outlier bounds what one value may contribute.
	outlier = 16
	// A real chip can be noisier than its data sheet: the MPU-6050 of the tests
	// turns 3.5 times as noisily. So the first guess is this many times the data
	// sheet's variance, worth guessBlocks.
	firstGuess  = 9
	guessBlocks = 50
)

func newScatter(sigma float64) scatter {
	v := sigma * sigma
	return scatter{detect: riseBias * firstGuess * v, fair: firstGuess * v, floor: v, n: guessBlocks}
}

func (s *scatter) see(x float64) {
	e := x * x
	if d := min(e, outlier*s.detect) - s.detect; d > 0 {
		s.detect += detectUp * d
	} else {
		s.detect += detectUp / 6 * d
	}
	s.n++
	s.fair += max(fairGain, 1/s.n) * (min(e, outlier*s.fair) - s.fair)
}

// alert is the variance to judge outliers with, variance the plain one; both at
// least what the data sheet says.
func (s *scatter) alert() float64    { return max(s.detect/riseBias, s.fair, s.floor) }
func (s *scatter) variance() float64 { return max(s.fair, s.floor) }
