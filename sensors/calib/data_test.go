package calib

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
)

// recording is one file of testdata/imu, read with a few lines of its own:
// package recorded is a sibling, which this package does not import.
type recording struct {
	inertial []sensors.InertialSample
	magnetic []sensors.MagneticSample
}

const boardDir = "mpu6050_hmc5883l/set-2_"

func load(t testing.TB, name string) recording {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "imu", filepath.FromSlash(name)+".csv.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(z).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	col := map[string]int{}
	for i, h := range rows[0] {
		col[h] = i
	}
	var rec recording
	for _, row := range rows[1:] {
		get := func(h string) float64 {
			i, ok := col[h]
			if !ok {
				return math.NaN()
			}
			v, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		at := time.Duration(get("t_s") * float64(time.Second))
		if _, ok := col["ax"]; ok {
			rec.inertial = append(rec.inertial, sensors.InertialSample{
				At: at, Accel: r3.Vec{X: get("ax"), Y: get("ay"), Z: get("az")},
				Gyro: r3.Vec{X: get("gx"), Y: get("gy"), Z: get("gz")}, TempC: get("temp_C"),
			})
		}
		rec.magnetic = append(rec.magnetic, sensors.MagneticSample{At: at, FieldUT: r3.Vec{X: get("mx"), Y: get("my"), Z: get("mz")}, TempC: math.NaN()})
	}
	return rec
}

// mpu6050 is the data sheet of the inertial chip of testdata/imu/mpu6050_hmc5883l
// (PS-MPU-6000A rev. 3.4: ±50 mg x and y, ±80 mg z, ±3 % scale, 2 % cross-axis,
// 35 mg over 70 °C; limits taken as 1 sigma).
var mpu6050 = sensors.InertialSpec{
	Chip: "MPU-6050", RateHz: 100, AccelNoise: 0.004, AccelOffset: 0.6, AccelDriftPerC: 0.006, AccelCross: 0.03,
	GyroOffset: 0.35, GyroRange: 4.363, AccelRange: 19.6, HasGyro: true,
}
