package trail

import (
	"fmt"
	"math"
)

// Verdict answers whether an exposure will show points.
type Verdict string

const (
	Yes      Verdict = "yes"      // surely: with 95 % probability or more
	Probably Verdict = "probably" // more likely than not
	No       Verdict = "no"
)

// sureP and likelyP are the probabilities behind the words.
const (
	sureP   = 0.95
	likelyP = 0.5
)

// Judgement is what an alignment is good for, with one kit and one exposure.
type Judgement struct {
	Verdict     Verdict // at the centre of the picture, worst place in the night sky
	Probability float64 // that no star trails more than the limit; 0 to 1
	// LongestS is the longest exposure if the error is just as estimated, SureS
	// the one that earns a yes; seconds, +Inf without limit.
	LongestS, SureS float64
	// AllowedArcmin is the error that the exposure bears.
	AllowedArcmin float64
	// TrailPx is the longest trail in the night sky at the estimated error.
	TrailPx float64
	// The same in the worst corner; equal to the centre without a sensor size.
	CornerVerdict       Verdict
	CornerProbability   float64
	CornerLongestS      float64
	CornerSureS         float64
	CornerAllowedArcmin float64
}

// Judge tells whether the kit's stars stay points for an exposure, given the
// error of the axis and how well it is known. The probability is that of the
// error alone: the worst place of the night sky is assumed, so most pictures fare
// better.
func Judge(k Kit, exposureS float64, e Error) (Judgement, error) {
	if err := check(k, e); err != nil {
		return Judgement{}, err
	}
	if !(exposureS > 0 && exposureS <= 86400) {
		return Judgement{}, fmt.Errorf("exposure %v s: give more than 0, up to 86400", exposureS)
	}
	j := Judgement{
		LongestS:            k.LongestS(e.Size()),
		AllowedArcmin:       k.AllowedArcmin(exposureS),
		TrailPx:             k.TrailPx * Bound(e.Size(), exposureS) / k.trailArcsec(k.FocalMM),
		CornerLongestS:      k.LongestCornerS(e.Size()),
		CornerAllowedArcmin: k.AllowedCornerArcmin(exposureS),
	}
	sure := e.Quantile(sureP)
	j.SureS, j.CornerSureS = k.LongestS(sure), k.LongestCornerS(sure)
	j.Probability, j.CornerProbability = e.Within(j.AllowedArcmin), e.Within(j.CornerAllowedArcmin)
	j.Verdict, j.CornerVerdict = verdict(j.Probability), verdict(j.CornerProbability)
	return j, nil
}

// VerdictOf is the verdict of Judge alone, at a twentieth of its cost, for
// inputs that passed Validate and a positive exposure.
func VerdictOf(k Kit, exposureS float64, e Error) Verdict {
	return verdict(e.Within(k.AllowedArcmin(exposureS)))
}

func verdict(p float64) Verdict {
	switch {
	case p >= sureP:
		return Yes
	case p >= likelyP:
		return Probably
	}
	return No
}

// Alignment is the error that a wish needs: the largest mean error, with
// uncertainty sigmaArcmin in both directions, that still earns a yes for the
// exposure; false when even a perfect mean would not.
func Alignment(k Kit, exposureS, sigmaArcmin float64) (arcmin float64, possible bool) {
	limit := k.AllowedArcmin(exposureS)
	if ErrorOfSize(0, sigmaArcmin).Within(limit) < sureP {
		return 0, false
	}
	low, high := 0.0, limit
	for range 50 {
		mid := (low + high) / 2
		if ErrorOfSize(mid, sigmaArcmin).Within(limit) >= sureP {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Min(low, limit), true
}
