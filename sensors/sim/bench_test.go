package sim

import (
	"testing"
	"time"
)

// benchmarkRead reads one new sample per iteration from a typical part, in one
// transfer.
func benchmarkRead(b *testing.B, addr uint16, c Chip, setup [][]byte, step time.Duration, reg byte, n int) {
	clock := &Clock{}
	bus := NewBus("i2c-sim", clock, Adapter{})
	if err := bus.Attach(addr, c); err != nil {
		b.Fatal(err)
	}
	for _, w := range setup {
		if err := bus.Tx(addr, w, nil); err != nil {
			b.Fatal(err)
		}
	}
	clock.Sleep(time.Second)
	w, buf := []byte{reg}, make([]byte, n)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		clock.Sleep(step)
		if err := bus.Tx(addr, w, buf); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkReadMPU6050(b *testing.B) {
	benchmarkRead(b, 0x68, NewMPU6050(tilted, TypicalMPU6050(1)),
		[][]byte{{0x6b, 1}, {0x19, 9}, {0x1a, 3}}, 10*time.Millisecond, 0x3b, 14)
}

// The worst filter: 5 Hz at 1 kHz, of which every tenth sample is read.
func BenchmarkReadMPU6050Skipping(b *testing.B) {
	benchmarkRead(b, 0x68, NewMPU6050(tilted, TypicalMPU6050(1)),
		[][]byte{{0x6b, 1}, {0x1a, 6}}, 10*time.Millisecond, 0x3b, 14)
}

func BenchmarkReadISM330DHCX(b *testing.B) {
	benchmarkRead(b, 0x6a, NewISM330DHCX(tilted, TypicalISM330DHCX(1)),
		[][]byte{{0x12, 0x44}, {0x10, 0x40}, {0x11, 0x40}}, period(104), 0x20, 14)
}

func BenchmarkReadMMC5983MA(b *testing.B) {
	benchmarkRead(b, 0x30, NewMMC5983MA(tilted, TypicalMMC5983MA(1)),
		[][]byte{{0x0b, 0x0d}}, 10*time.Millisecond, 0x00, 9)
}

func BenchmarkReadLIS3MDL(b *testing.B) {
	benchmarkRead(b, 0x1c, NewLIS3MDL(tilted, TypicalLIS3MDL(1)),
		[][]byte{{0x24, 0x40}, {0x20, 0xfc}, {0x22, 0}}, period(80), 0xa7, 9)
}

func BenchmarkReadQMC5883L(b *testing.B) {
	benchmarkRead(b, 0x0d, NewQMC5883L(tilted, TypicalQMC5883L(1)),
		[][]byte{{0x0b, 1}, {0x09, 0x09}}, 10*time.Millisecond, 0x00, 9)
}

// BenchmarkNight is a night of 10 h at 100 Hz, IMU and magnetometer, each
// sample asked for and read: an iteration is one second of it.
func BenchmarkNight(b *testing.B) {
	clock := &Clock{}
	bus := NewBus("i2c-sim", clock, Adapter{})
	for addr, c := range map[uint16]Chip{
		0x6a: NewISM330DHCX(tilted, TypicalISM330DHCX(1)), 0x30: NewMMC5983MA(tilted, TypicalMMC5983MA(1)),
	} {
		if err := bus.Attach(addr, c); err != nil {
			b.Fatal(err)
		}
	}
	status, imu, done := []byte{0x1e}, []byte{0x20}, []byte{0x08, 0x01}
	buf := make([]byte, 14)
	tx := func(addr uint16, w, r []byte) {
		if err := bus.Tx(addr, w, r); err != nil {
			b.Fatal(err)
		}
	}
	for _, w := range [][]byte{{0x12, 0x44}, {0x10, 0x40}, {0x11, 0x40}} {
		tx(0x6a, w, nil)
	}
	tx(0x30, []byte{0x0b, 0x0d}, nil)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		for range 100 {
			clock.Sleep(10 * time.Millisecond)
			tx(0x6a, status, buf[:1])
			tx(0x6a, imu, buf)
			tx(0x30, done[:1], buf[:1])
			tx(0x30, []byte{0x00}, buf[:7])
			tx(0x30, done, nil)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
