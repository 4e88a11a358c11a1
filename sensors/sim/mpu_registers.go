package sim

import "time"

// Registers of the MPU-6050, MPU-6500 and MPU-9250. Sources:
// [RM6050] InvenSense RM-MPU-6000A-00 rev. 4.2, pages 8 to 15 (register map and
// self-test registers read as text); [RM9250] RM-MPU-9250A-00 rev. 1.4, page 9
// (map and reset values read as text); [K] Linux 6.12
// drivers/iio/imu/inv_mpu6050/inv_mpu_iio.h; [M] from memory of the same
// documents, not seen again.
const (
	mpuSelfTestGyro  = 0x00 // 0x00-0x02 gyroscope trim codes, 6500 and 9250 [RM9250]
	mpuSelfTest      = 0x0d // 0x0d-0x0f trim codes; 6050 also 0x10 [RM6050]
	mpuSmplrtDiv     = 0x19 // [K]
	mpuConfig        = 0x1a // bits 2..0 DLPF_CFG [K]
	mpuGyroConfig    = 0x1b // bits 7..5 self-test X,Y,Z; 4..3 range; 6500: 1..0 FCHOICE_B [K] [M]
	mpuAccelConfig   = 0x1c // bits 7..5 self-test X,Y,Z; 4..3 range [RM6050]
	mpuAccelConfig2  = 0x1d // 6500 and 9250: bit 3 FCHOICE_B, 2..0 A_DLPF_CFG [K] [M]
	mpuIntPinCfg     = 0x37 // bit 4 any read clears, bit 1 BYPASS_EN [K]
	mpuIntStatus     = 0x3a // bit 0 data ready, cleared by reading [K]
	mpuAccelOut      = 0x3b // accel X,Y,Z, temperature, gyro X,Y,Z: 7 words, high byte first [K]
	mpuOutEnd        = mpuAccelOut + 14
	mpuUserCtrl      = 0x6a // bit 5 I2C_MST_EN [K]
	mpuPwrMgmt1      = 0x6b // bit 7 reset, 6 sleep, 4 GYRO_STANDBY (6500), 3 TEMP_DIS, 2..0 clock [RM6050]
	mpuPwrMgmt2      = 0x6c // bits 5..0 standby XA,YA,ZA,XG,YG,ZG [RM6050]
	mpuFifoRW        = 0x74 // pointer stays here [M]
	mpuWhoAmI        = 0x75 // [K]
	mpuLastRegister  = 0x7f
	mpuReset         = 0x80
	mpuSleep         = 0x40
	mpuGyroStandby   = 0x10
	mpuTempOff       = 0x08
	mpuClockStopped  = 0x07
	mpuBypass        = 0x02
	mpuAnyReadClears = 0x10
	mpuMasterOn      = 0x20
)

const (
	// mpuResetTime is what must be waited after a reset [K].
	mpuResetTime = 100 * time.Millisecond
	// mpuBoot is the start-up time for register access, 20 ms typical [M].
	mpuBoot = 30 * time.Millisecond
	// mpuTestSettle lets a self-test response be complete to 0.7 % in the
	// 25 ms that the usual procedure waits.
	mpuTestSettle = 5 * time.Millisecond
)

// mpuKind is what differs between the chips.
type mpuKind struct {
	name     string
	whoAmI   byte // [K]
	pwrReset byte // PWR_MGMT_1 after reset [RM6050] [RM9250]
	// Start-up from sleep [K].
	accelStart, gyroStart time.Duration
	// Temperature: raw = (T - tempZero)·tempLSB [K].
	tempLSB, tempZero float64
	// classic: self-test trim and one filter register for both sensors, as in
	// the 6050.
	classic bool
}

var (
	mpu6050Kind = mpuKind{
		name: "MPU-6050", whoAmI: 0x68, pwrReset: 0x40, classic: true,
		accelStart: 20 * time.Millisecond, gyroStart: 60 * time.Millisecond,
		tempLSB: 340, tempZero: 36.53,
	}
	mpu6500Kind = mpuKind{
		name: "MPU-6500", whoAmI: 0x70, pwrReset: 0x01,
		accelStart: 30 * time.Millisecond, gyroStart: 70 * time.Millisecond,
		tempLSB: 333.87, tempZero: 21,
	}
	mpu9250Kind = mpuKind{
		name: "MPU-9250", whoAmI: 0x71, pwrReset: 0x01,
		accelStart: 30 * time.Millisecond, gyroStart: 70 * time.Millisecond,
		tempLSB: 333.87, tempZero: 21,
	}
)

// Sensitivities [K]: LSB per g and per degree per second, by range code.
var (
	mpuAccelLSB = [4]float64{16384, 8192, 4096, 2048}
	mpuGyroLSB  = [4]float64{131, 65.5, 32.8, 16.4}
)

// mpuFilter is a low-pass setting: bandwidth and the rate at which it works, Hz.
type mpuFilter struct{ bw, rate float64 }

// Filters by DLPF_CFG; code 7 of the 6050 is reserved and taken as 0. The 6050's are
// those of i2cdevlib's MPU6050 (table at setDLPFMode), the gyroscope's of the later
// chips those of RM-MPU-9250A; their accelerometer's [M: of the MPU-6500; later
// sheets of the MPU-9250 say 218.1, 218.1, 99, 44.8, 21.2, 10.2, 5.05 and 420 Hz].
var (
	mpu6050AccelFilter = [8]mpuFilter{{260, 1000}, {184, 1000}, {94, 1000}, {44, 1000}, {21, 1000}, {10, 1000}, {5, 1000}, {260, 1000}}
	mpu6050GyroFilter  = [8]mpuFilter{{256, 8000}, {188, 1000}, {98, 1000}, {42, 1000}, {20, 1000}, {10, 1000}, {5, 1000}, {256, 8000}}
	mpu6500AccelFilter = [8]mpuFilter{{460, 1000}, {184, 1000}, {92, 1000}, {41, 1000}, {20, 1000}, {10, 1000}, {5, 1000}, {460, 1000}}
	mpu6500GyroFilter  = [8]mpuFilter{{250, 8000}, {184, 1000}, {92, 1000}, {41, 1000}, {20, 1000}, {10, 1000}, {5, 1000}, {3600, 8000}}
	mpuAccelUnfiltered = mpuFilter{1130, 4000}
	mpuGyroUnfiltered  = mpuFilter{8800, 32000}
)
