// Package estimator turns corrected samples into where the tracker's axis
// points, with its uncertainty in named parts. It is pure: time comes with the
// samples, and nothing is logged, read or started.
//
// # The attitude filter
//
// [Filter] follows the attitude of the sensor axes at sensor rate. Frames: s the
// sensor, E the local frame east, magnetic north, up, and L a level frame whose
// vertical is that of E and whose heading is only the gyroscope's. The unit
// quaternion q turns s into L, R is its matrix. Two Kalman filters share the
// work, so that no magnet can tilt the horizon: that separation, and rest as the
// time to learn the gyroscope's offset, follow Laidig and Seel, "VQF: Highly
// Accurate IMU Orientation Estimation with Bias Estimation and Magnetic
// Disturbance Rejection", Information Fusion 91 (2023) 187-204, arXiv:2203.17024.
// The error-state form follows Sola, "Quaternion kinematics for the error-state
// Kalman filter", arXiv:1711.02508 (2017), sections 5 and 7 (errors in the global
// frame). The code is our own.
//
// Strapdown, each sample of interval t, rate w, specific force a, offset b:
//
//	q <- q exp((w - b) t),   v <- v + R a t  (horizontal part),   p <- p + v t
//
// # Tilt
//
// State: error of the attitude about the two horizontal axes θ, of the offset δb
// (sensor axes), horizontal speed v and place p. Per update after the span t
// (0.12 s, or the sample interval when that is longer), with S = ∫R dt and g
// standard gravity:
//
//	θ  <- θ - S δb,   v_x <- v_x + g t θ_y,   v_y <- v_y - g t θ_x
//
// What the accelerometer says of gravity is said through v and p: a board that
// hands hold stays where it is, so v and p are observed at zero, as loosely as
// the running standard deviation A of the horizontal specific force demands:
//
//	σ_v = A T,   σ_p = A T²,   T = 0.36 s, correlated over 0.5 s and 1 s
//
// (zero-velocity and zero-position updates; Foxlin, "Pedestrian tracking with
// shoe-mounted inertial sensors", IEEE Computer Graphics and Applications 25(6)
// 2005, uses them for a foot). At rest A is the sensor's noise and this becomes
// the plain accelerometer. Process noise: the gyroscope's white noise; an error s
// of its scale and axes, which adds up while the turn goes one way, as
// 2 τ s² |mean rate|² with the mean over 2 s and τ = 1.8 s; random walk of the
// offset, small at rest. At rest the mean rate observes the offset.
//
// Rest needs both signals within 2°/s and 0.5 m/s² of their 0.5 s means for
// 1.5 s (the figures of VQF). A slow steady turn is as quiet: so the mean rate
// must also stay within 3 sigma and 0.03°/s of the known offset. A mean that
// leaves it is a turn, unless for 10 s gravity and field show that nothing
// turned (a minute, without a compass); then the offset has jumped. Turns slower
// than about 0.05°/s pass as drift.
//
// # Heading
//
// State: the Earth's field h in L (its azimuth is the heading that q lacks), the
// error r of the offset about the vertical, hard iron i and a 3x3 scale and
// misalignment M in sensor axes, the local field n in L, the delay τ of the
// magnetometer against the gyroscope. One sample m in sensor axes reads
//
//	R m = h + n + R i + R M Rᵀ h + τ (R w × h) + noise
//	h <- h + t r (-h_y, h_x, 0)
//
// which is linear in all of them up to products of small errors: no start value,
// no ambiguity of 180°, and at rest, where R and so every lever stands still,
// nothing is learned about the heading that was not known. Written with an
// attitude error instead, the levers would move with the estimate and the filter
// would grow sure of itself without cause (Huang, Mourikis and Roumeliotis,
// "Observability-based Rules for Designing Consistent EKF SLAM Estimators", Int. J.
// Robotics Research 29(5) 2010). A turn of the board tells what turns with it (i,
// M), what stays outside (n) and what is the Earth's (h): the compass check by
// turning, and the swing of the marine trade, as one estimate. Calibration errors
// as states: Crassidis, Lai and Harman, "Real-Time Attitude-Independent Three-Axis
// Magnetometer Calibration", J. Guidance, Control, and Dynamics 28(1) 2005 (from
// memory). The delay is there because the recordings of testdata/imu/broad have
// one: regression on the true attitude gives 22 to 24 ms on all eight, of which the
// blocks explain 7 ms; at 200°/s 15 ms turn the compass by 3°.
//
// n is another one after turning (0.5 rad), i and M walk slowly. While the board
// turns the field carries more error than noise: 0.85 µT√s white, found on
// recordings. Angles turned are counted in steps of 0.1 rad, so that tremor does
// not count.
//
// Disturbance: the residual without n, along the horizontal field and upward
// (strength and dip), and, once the heading is proven, across it, against its
// expected variance; above twice that, in two updates running, it is something
// new. Its variance goes to i and n, so that the heading is carried by the
// gyroscope until turning shows which of both it is; within the first 3 s also
// to h, widened as Student's distribution of two degrees of freedom, since it may
// have been there from the start. When the state of before it explains the field
// again for 1.5 s, it is taken back. A field that differs from the Earth's only
// across it is invisible in strength and dip; what protects then is the
// gyroscope, the prior sigma of n, and a turn.
//
// # What the sigma means
//
// [Filter.HeadingSigma] and [Filter.InclinationSigma] are the square roots of the
// covariance, the second with the accelerometer's own error added. On seeded
// boards whose errors are drawn from the options, 94 % (heading) and 96 %
// (inclination) of the truths lie within the 95 % bounds, at rest and after turns
// (TestFilterSigmaCovers); on recordings with optical truth more than 90 % in each
// (TestFilterOnRecordings). Steel that was there before the first sample is the
// exception, as far as its field lies across the Earth's: about 85 %
// (TestFilterDoubtsFieldOfOtherStrength).
//
// Limits: the Earth's own rotation, 0.004°/s, is part of the offset and as such
// learned at rest; after turning the board over it is wrong by at most twice that
// until the next rest. Rates beyond GyroRange widen the sigmas. Near the magnetic
// poles the horizontal field is too weak for any of this.
package estimator
