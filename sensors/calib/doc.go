// Package calib turns raw readings into corrected ones and says how sure it is:
// accelerometer and magnetometer calibrations as Affine, each coefficient with
// its covariance. It is pure: samples come as arguments, time is in them.
//
// # Models
//
// Both sensors follow corrected = M (raw − o), with twelve coefficients (Renaudin,
// Afzal and Lachapelle, Journal of Sensors 2010, 967245).
//
// Accelerometer (FitAccel): at rest |corrected| is gravity, whatever the attitude
// (Frosio, Pedersini and Borghese, IEEE Trans. Instrum. Meas. 58(6), 2009). A
// rotation of the corrected axes cannot be seen, so M is kept symmetric: how the
// axes sit in the board is mounting, which FitAxis measures. A data sheet can
// stand in for poses that are missing, with its doubt.
//
// Magnetometer (FitMag): |corrected| is the field's strength, an ellipsoid in raw
// readings, which leaves the same rotation open. Here it matters: heading comes
// from both sensors, and an axis of the compass chip that is tilted by 1° against
// the accelerometer costs up to tan(dip) degrees of heading, 2.2° at dip 66°.
// Two independent facts close it: the field's component along gravity does not
// change while the board is turned (constant dip; Papafotis and Sotiriadis,
// Technologies 8(1) 11, 2020), and the field turns with the gyroscope (Kok and
// Schön, IEEE Sensors Journal 16(14) 5679, 2016). Strength, dip and turns are
// fitted together by maximum likelihood, with gyroscope bias, gyroscope matrix
// and a time lag as further unknowns.
//
// On the mount only a turn in azimuth and a little tilt are possible:
// FitMagInPlace keeps what an earlier calibration knew, and says what the turn
// did not reach. CheckTurn compares compass and gyroscope over an arc. Compare
// tells whether iron near the chip has changed.
//
// # Sigmas
//
// Noise is estimated from residuals (Huber's proposal 2), outliers are left out
// (Hampel's weights), unequal and correlated residuals widen the covariance
// (White 1980; integrated autocorrelation), and the accelerometer's own
// covariance goes into the compass alignment. Tests count over seeds how often
// the truth lies within 1.96 of the stated sigmas.
//
// Not in the covariance: a field that is not the same over the space in which the
// board was turned, beyond what the residuals show; non-linearity and hysteresis
// of the chips, except for AccelOptions.Floor and TurnOptions.FloorSigma; the
// correlation between the errors of the two sensors' calibrations. Iron that
// stands beside the tripod turns all headings alike and no calibration of the
// board can see it.
package calib
