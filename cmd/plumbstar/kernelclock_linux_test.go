package main

import (
	"testing"

	"golang.org/x/sys/unix"
)

func TestKernelClock(t *testing.T) {
	for _, c := range []struct {
		name         string
		state        int
		status       int64
		maxS, estS   float64
		synchronised bool
		sigmaS       float64
	}{
		{"never set", unix.TIME_ERROR, unix.STA_UNSYNC, 16, 16, false, 0},
		{"flag alone", unix.TIME_OK, unix.STA_UNSYNC, 0.01, 0.01, false, 0},
		{"state alone", unix.TIME_ERROR, unix.STA_PLL, 0.01, 0.01, false, 0},
		{"close to a server", unix.TIME_OK, unix.STA_PLL, 0.004, 0.0001, true, 0.05},
		{"far from one", unix.TIME_OK, unix.STA_PLL, 0.9, 0.02, true, 0.3},
		{"estimated worse", unix.TIME_OK, unix.STA_PLL, 0.3, 0.2, true, 0.2},
		{"hours after the network went", unix.TIME_OK, 0, 9, 0, true, 3},
		{"leap second ahead", unix.TIME_INS, unix.STA_INS, 0.03, 0, true, 0.05},
	} {
		s, sigma := judgeKernelClock(c.state, c.status, c.maxS, c.estS)
		if s != c.synchronised || sigma < c.sigmaS-1e-9 || sigma > c.sigmaS+1e-9 {
			t.Errorf("%s: %v ± %v s, want %v ± %v s", c.name, s, sigma, c.synchronised, c.sigmaS)
		}
	}
	s, sigma, err := kernelClock()
	if err != nil || (s && !(sigma >= networkTimeS)) {
		t.Errorf("this kernel: %v ± %v s, %v", s, sigma, err)
	}
	t.Logf("this kernel: synchronised %v ± %v s", s, sigma)
}
