//go:build !linux

package sensors

func busFault(error) Fault { return FaultBus }
