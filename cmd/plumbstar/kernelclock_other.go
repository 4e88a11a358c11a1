//go:build !linux

package main

// kernelClock knows how to ask Linux only.
func kernelClock() (synchronised bool, sigmaS float64, err error) { return false, 0, nil }
