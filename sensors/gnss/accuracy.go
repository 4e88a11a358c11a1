package gnss

import "math"

const (
	// rangingM is the 1-sigma error of the range to one satellite, metres, for a
	// single-frequency receiver: atmosphere 7.0, clock and orbit 3.6, multipath
	// 1.2, receiver 0.6, together 8.0 (National Research Council, "The Global
	// Positioning System: A Shared National Asset", 1995, table C-1, without the
	// artificial error that ended in 2000; called conservative there).
	rangingM = 8.0
	// rangingDifferentialM is the same with the atmosphere corrected.
	rangingDifferentialM = 3.9
	// verticalRatio is VDOP over HDOP where only the latter is known (D. Milbert,
	// "Dilution of Precision Revisited", Navigation 55, 2008: mean 1.474).
	verticalRatio = 1.47
	// geoidM is the 1-sigma height of the sea level above the ellipsoid where the
	// receiver does not say it (from memory: -107 to +86 m, rms 30 m).
	geoidM = 30.0
	// guessedM stands for a receiver that says nothing: HDOP 9 (own choice).
	guessedM = 50.0
)

// accuracy is what is known about the errors of a fix; NaN when it is not.
type accuracy struct {
	north, east, height float64 // 1 sigma, metres
	from                string
}

// byDilution turns dilution into 1 sigma per axis: the horizontal error of both
// axes together is dilution times ranging error (same source, appendix C).
func byDilution(hdop, vdop float64, differential bool) accuracy {
	m := rangingM
	if differential {
		m = rangingDifferentialM
	}
	if math.IsNaN(hdop) {
		return accuracy{north: guessedM, east: guessedM, height: verticalRatio * math.Sqrt2 * guessedM, from: FromNothing}
	}
	if math.IsNaN(vdop) {
		vdop = verticalRatio * hdop
	}
	return accuracy{north: hdop * m / math.Sqrt2, east: hdop * m / math.Sqrt2, height: vdop * m, from: FromDilution}
}

// orElse fills what a does not know from b.
func (a accuracy) orElse(b accuracy) accuracy {
	if math.IsNaN(a.north) || math.IsNaN(a.east) {
		a.north, a.east, a.from = b.north, b.east, b.from
	}
	if math.IsNaN(a.height) {
		a.height = b.height
	}
	return a
}

// put gives the fix its sigmas. Without the height of the sea level the height
// was one above the sea.
func (f *Fix) put(a accuracy, geoidKnown bool) {
	f.NorthSigmaM, f.EastSigmaM, f.SigmaFrom = a.north, a.east, a.from
	f.HeightSigmaM = math.NaN()
	if f.Mode == Fix3D {
		f.HeightSigmaM = a.height
		if !geoidKnown {
			f.HeightSigmaM = math.Hypot(a.height, geoidM)
		}
	}
}
