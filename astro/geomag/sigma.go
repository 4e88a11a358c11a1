package geomag

import "math"

// errorModel is the 1-sigma error of a model at the Earth's surface.
type errorModel struct {
	declinationDeg          float64 // constant part
	declinationDegNT        float64 // part that grows as 1/H
	inclinationDeg          float64
	totalNT                 float64
	horizontalNT            float64
	northNT, eastNT, downNT float64
}

// errorModelOf picks the published figures by degree: those of WMM2025 up to
// degree 12, else those of WMMHR2025 (both: NOAA NCEI and BGS, The US/UK World
// Magnetic Model for 2025-2030, Technical Report, doi:10.25923/prbc-s316). A
// coefficient file carries none, so a later model is given the same.
func errorModelOf(degree int) errorModel {
	if degree <= 12 {
		return errorModel{0.26, 5417, 0.20, 138, 133, 137, 89, 141}
	}
	return errorModel{0.25, 5205, 0.19, 134, 130, 135, 85, 134}
}

func (e errorModel) put(f *Field) {
	grows := e.declinationDegNT / f.HorizontalNT // +Inf at H = 0
	f.DeclinationSigmaDeg = min(math.Sqrt(e.declinationDeg*e.declinationDeg+grows*grows), 180)
	f.InclinationSigmaDeg = e.inclinationDeg
	f.TotalSigmaNT = e.totalNT
	f.HorizontalSigmaNT = e.horizontalNT
	f.NorthSigmaNT = e.northNT
	f.EastSigmaNT = e.eastNT
	f.DownSigmaNT = e.downNT
}

// zoneOf uses the limits of the same report.
func zoneOf(horizontalNT float64) Zone {
	switch {
	case horizontalNT < 2000:
		return ZoneBlackout
	case horizontalNT < 6000:
		return ZoneCaution
	}
	return ZoneOK
}
