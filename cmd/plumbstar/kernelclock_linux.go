package main

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// kernelClock asks the kernel whether something keeps the system clock right,
// and how well: 1 sigma, seconds. Asking needs no right (adjtimex(2) with no mode
// set).
func kernelClock() (synchronised bool, sigmaS float64, err error) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return false, 0, fmt.Errorf("asking the kernel for the state of its clock: %w", err)
	}
	synchronised, sigmaS = judgeKernelClock(state, int64(t.Status), float64(t.Maxerror)/1e6, float64(t.Esterror)/1e6)
	return synchronised, sigmaS, nil
}

// judgeKernelClock reads adjtimex(2). The kernel adds 500e-6 s a second to the
// maximum error and calls the clock unsynchronised when it passes 16 s, some nine
// hours after the last correction. The maximum error is a bound and counts as
// three sigma; the estimated one is left at zero by some time services.
func judgeKernelClock(state int, status int64, maxErrorS, estimatedS float64) (synchronised bool, sigmaS float64) {
	if state == unix.TIME_ERROR || status&unix.STA_UNSYNC != 0 {
		return false, 0
	}
	return true, max(maxErrorS/3, estimatedS, networkTimeS)
}

// networkTimeS is the least error of time from a network, which may take longer
// one way than the other (common practice, no source).
const networkTimeS = 0.05
