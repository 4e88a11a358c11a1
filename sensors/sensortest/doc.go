// Package sensortest is the contract that every motion and field sensor must
// pass, and the register traffic that drivers are tested against. Only tests
// import it.
//
// Inertial.Run and Magnetometer.Run take a rig: a chip on a bus in a world that
// can be moved, and that can be made to fail. Live takes a sensor on a real bus,
// whose world cannot. Recorder writes down what goes over a bus, Playback plays
// it back and refuses anything else.
package sensortest
