package estimator

import (
	"math"
	"time"

	"gonum.org/v1/gonum/spatial/r3"
)

// offsetTrack follows the gyroscope's offset at rest by a line: a board that was
// carried into the cold drifts by hundredths of a degree per second within a
// minute, all the time in one direction, and a mean lags behind. The line is the
// least squares one through all blocks so far, with the gains held at trackMemory
// (expanding-memory filter of the first degree; Brookner, Tracking and Kalman
// Filtering Made Easy, 1998, section 1.2.10). A block counts by at most trackClip
// of its sigmas. While they are few, their mean is the better prediction.
type offsetTrack struct {
	level, mean r3.Vec        // rad/s, at the time at
	trend       r3.Vec        // rad/s per block
	at          time.Duration // of level
	blocks      float64       // behind it
}

const (
	// trackMemory is 60 s, trackLine 15 s: the line through it knows the offset to two per mille
	// of a degree per second with the noise of a plain chip.
	trackMemory = 600
	trackStart  = 10
	trackLine   = 150
	trackClip   = 2.5
	// trackAhead bounds how far, in blocks, the trend is believed: half a minute.
	trackAhead = 300
)

// startTrack starts at an offset known so far from some blocks.
func startTrack(level r3.Vec, at time.Duration, blocks float64) offsetTrack {
	return offsetTrack{level: level, mean: level, at: at, blocks: blocks}
}

// now is the offset at a later time.
func (t *offsetTrack) now(at time.Duration) r3.Vec {
	if t.blocks < trackLine {
		return t.mean
	}
	return t.line(at)
}

func (t *offsetTrack) line(at time.Duration) r3.Vec {
	ahead := min(float64(at-t.at)/float64(blockLength), trackAhead)
	return r3.Add(t.level, r3.Scale(ahead, t.trend))
}

// take takes the mean rate of a block at rest, whose noise has this variance.
func (t *offsetTrack) take(at time.Duration, rate, variance r3.Vec) {
	n := t.blocks + 1
	t.mean = r3.Add(t.mean, r3.Scale(1/n, clip(r3.Sub(rate, t.mean), variance)))
	t.level = t.line(at)
	off := clip(r3.Sub(rate, t.level), variance)
	t.level = r3.Add(t.level, r3.Scale(2*(2*n-1)/(n*(n+1)), off))
	t.trend = r3.Add(t.trend, r3.Scale(6/(n*(n+1)), off))
	t.at, t.blocks = at, min(n, trackMemory-1)
}

// clip bounds each axis of v to trackClip sigmas.
func clip(v, variance r3.Vec) r3.Vec {
	bound := func(v, variance float64) float64 {
		s := trackClip * math.Sqrt(variance)
		return max(-s, min(s, v))
	}
	return r3.Vec{X: bound(v.X, variance.X), Y: bound(v.Y, variance.Y), Z: bound(v.Z, variance.Z)}
}
