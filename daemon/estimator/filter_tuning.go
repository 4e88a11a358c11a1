package estimator

// tuning is what the filter assumes of the world rather than of a sensor: one
// set for every board and every recording. Angles are in radians.
type tuning struct {
	epoch float64 // s between Kalman updates

	// Motion of a board that hands move, for the tilt filter.
	moveTime   float64 // s: sigma of the speed is moveTime times that of the acceleration, of the place again
	speedCorr  float64 // s: correlation time of the speed
	placeCorr  float64 // s: of the place
	moveMemory float64 // s: time constant of the running variance of the acceleration
	accelFloor float64 // m/s²: least motion assumed

	steadyTime float64 // s: for how long an error of the gyroscope's scale acts one way

	// Random walk of the gyroscope's offset, rad/s per √s.
	gyroWalkRest, gyroWalkMove float64

	// At rest the offset is learned from the same rates that turn the attitude, so
	// that their noise does not add up; what may is a creep too slow to be seen.
	restTurn float64 // rad/√s
	creep    float64 // rad/s

	// Random walks of the compass errors. The turned angle stands for time in
	// those that change with the direction of the board.
	fieldWalk float64 // µT/√s: reference field
	strayWalk float64 // µT/√s: local field at rest
	ironWalk  float64 // µT/√rad
	scaleWalk float64 // 1/√s
	lagWalk   float64 // s/√s

	strayTurn  float64 // 1/rad: forgetting of the local field by turning
	distTurn   float64 // 1/rad: the same for a disturbance, which stays outside
	lagSigma   float64 // s: prior of the magnetometer's delay
	fieldFloor float64 // µT: what no average of one epoch removes
	moveField  float64 // µT√s: error of the field while the board turns, white
	jitter     float64 // s: part of the delay that stays random
	excess     float64 // variance ratio above which the field is more than noise
	release    float64 // s: fall of it
	holdTurn   float64 // 1/rad: turning after which a held disturbance is forgotten
	returned   float64 // s that the old field must be back before the episode is undone
	proven     float64 // s of undisturbed field after which a disturbance cannot have been there from the start

	// Rest: both signals within these of their 0.5 s mean for restTime.
	restRate, restAccel, restTime float64
	gateFloor                     float64 // rad/s: change of the gyroscope's offset that passes as drift
}

func defaultTuning() tuning {
	return tuning{
		epoch:        0.12,
		moveTime:     0.36,
		speedCorr:    0.5,
		placeCorr:    1,
		moveMemory:   2,
		accelFloor:   0.02,
		steadyTime:   1.8,
		gyroWalkRest: 0.001 * degree,
		gyroWalkMove: 0.01 * degree,
		restTurn:     0.0005 * degree,
		creep:        0.004 * degree,
		fieldWalk:    0.001,
		strayWalk:    0.005,
		ironWalk:     0.01,
		scaleWalk:    1e-5,
		lagWalk:      1e-5,
		strayTurn:    2,
		distTurn:     0.01,
		lagSigma:     0.02,
		fieldFloor:   0.15,
		moveField:    0.85,
		jitter:       0.005,
		excess:       2,
		release:      2,
		holdTurn:     0.7,
		returned:     1.5,
		proven:       3,
		restRate:     2 * degree,
		restAccel:    0.5,
		restTime:     1.5,
		gateFloor:    0.03 * degree,
	}
}
