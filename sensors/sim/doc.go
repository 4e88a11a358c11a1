// Package sim simulates motion and field sensors at register level behind
// periph's i2c.Bus, so that real drivers run on a board that does not exist.
//
// A Bus carries chips. A chip reads the physical state of the board from a
// World, turns it into its own axes, adds what a real part adds (scale,
// cross-axis, offset, temperature drift, noise) and puts the result, quantised
// and limited, into its output registers on its own data-rate grid. Range,
// rate, filter and power registers act; Settings describe the part, and a
// Typical… function draws a plausible one from data-sheet figures. Faults can
// be put on a chip or on the bus while everything runs.
//
// The register maps are written from data sheets and the public facts named
// beside each constant, apart from the drivers, so that a misreading on either
// side shows as a disagreement.
//
// What is drawn at random depends on the seed and on the time of the sample
// alone: two runs with the same settings and the same register writes deliver
// the same bytes, however often they are read.
//
// Not simulated: FIFOs, interrupt pins, motion detection, the auxiliary master,
// accelerometer cycle mode and user offset registers of the MPUs, self-test of the
// LSM6DSV16X, ICM-20948, ADXL355 and LSM303, self-test and
// external trigger of the AK8963, the ultra-low-power mode of the LSM6DSO, and
// the effect of a filter on real motion (a filter shapes the noise; the motion
// itself is sampled where the grid point lies). Transfers take no time on the
// clock.
//
// To add a chip, embed device in a struct, write its registers with their
// sources, and implement part: reset, advance, readReg, writeReg, and whatever
// of point, next, torn and busy differs from device's. A chip whose transfers
// are more than registers (dummy bytes, refusals) also overrides transfer; one
// that lets another through implements passer. Its tests write register
// numbers as numbers.
package sim
